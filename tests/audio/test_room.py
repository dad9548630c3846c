"""Long sounds lie on disk: they leave nothing there, take little memory, and not a bit is another."""

import errno
import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from autochain.audio import room
from autochain.audio.room import gathered, room_for
from autochain.errors import AudioFileError

# A process that fills 400 MB, sums it, and tells how much was resident at most, in kB. The first way gives pages back
# as it goes; the other leaves that to the thread, and gives it time.
FILLS = """
import sys, time
from pathlib import Path
import numpy as np
from autochain.audio.room import gathered, in_blocks, room_for

block = np.ones((500_000, 2), np.float32)
if sys.argv[1] == "looks":
    whole = gathered((block for _ in range(100)), (50_000_000, 2), np.float32)
    total = sum(float(part.sum()) for part in in_blocks(whole))
else:
    whole, total = room_for((50_000_000, 2), np.float32), 0.0
    for start in range(0, len(whole), len(block)):
        whole[start : start + len(block)] = block
        time.sleep(0.01)
        total += float(whole[start : start + len(block)].sum())
assert total == whole.size, total
state = Path("/proc/self/status")  # proc(5): the most that was resident
lines = state.read_text().splitlines() if state.exists() else []
print(next((line.split()[1] for line in lines if line.startswith("VmHWM:")), 0), flush=True)
if len(sys.argv) > 2:
    time.sleep(60.0)
"""


def process(folder: Path, *how: str) -> subprocess.Popen[str]:
    called = [sys.executable, "-c", FILLS, *how]
    return subprocess.Popen(called, env={**os.environ, "TMPDIR": str(folder)}, stdout=subprocess.PIPE, text=True)


@pytest.fixture
def on_disk(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    """Every sound has its room on disk, in this folder."""
    monkeypatch.setattr(room, "MOST_IN_MEMORY_BYTES", -1)
    monkeypatch.setattr(room, "scratch_folder", lambda: tmp_path)
    return tmp_path


def test_what_is_written_is_read(on_disk: Path) -> None:
    pieces = np.split(np.random.default_rng(1).standard_normal((100_000, 2)), 7 * np.arange(1, 1000))
    whole = gathered(iter(pieces), (100_000, 2), np.float64)
    time.sleep(2.0 * room._LOOK_EVERY_S)
    np.testing.assert_array_equal(whole, np.concatenate(pieces))
    assert whole.flags.c_contiguous
    assert list(on_disk.iterdir()) == []


def test_what_is_gathered_is_as_long_as_its_pieces() -> None:
    pieces = [np.ones((3, 1), np.float32), np.zeros((4, 1), np.float32)]
    np.testing.assert_array_equal(gathered(pieces, (10, 1), np.float32), np.concatenate(pieces))


@pytest.mark.skipif(not room._STATE.exists(), reason="the system does not tell what is resident")
@pytest.mark.parametrize("way", ["looks", "thread"])
def test_400_mb_are_never_all_in_memory(tmp_path: Path, way: str) -> None:
    with process(tmp_path, way) as running:
        assert running.stdout is not None
        most_kb = int(running.stdout.read())
    # The program itself 40 MB, pages 64 MB, and what comes before these are given back, on a loaded machine as much
    # again: a limit of this project.
    assert most_kb < (160_000 if way == "looks" else 250_000)


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGKILL])
def test_a_process_that_is_ended_leaves_no_file(tmp_path: Path, number: signal.Signals) -> None:
    with process(tmp_path, "looks", "stay") as running:
        assert running.stdout is not None
        running.stdout.readline()
        there = list(tmp_path.iterdir())
        running.send_signal(number)
    assert running.returncode == -number
    assert there == list(tmp_path.iterdir()) == []


def test_a_full_disk_is_refused_with_the_figures(on_disk: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(file: int, start: int, size: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "posix_fallocate", full, raising=False)
    with pytest.raises(AudioFileError, match=r"GB free, and a song so long needs 3\.2 GB there .* TMPDIR"):
        room_for((400_000_000, 2))
    assert list(on_disk.iterdir()) == []


def test_room_is_taken_before_it_is_filled(on_disk: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Writing a page that the disk has no room for would end the process: also where the system reserves none."""
    monkeypatch.delattr(os, "posix_fallocate", raising=False)
    written: list[int] = []
    write = os.write

    def counted(file: int, what: Any) -> int:
        written.append(len(what))
        return write(file, what)

    monkeypatch.setattr(os, "write", counted)
    whole = room_for((300_001, 2))
    assert sum(written) == whole.nbytes
    assert not whole.any()


def test_the_folder_is_the_one_that_is_asked_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    code = "from autochain.audio.room import scratch_folder; print(scratch_folder())"
    told = subprocess.run(
        [sys.executable, "-c", code], env={**os.environ, "TMPDIR": str(tmp_path)}, check=True, capture_output=True,
        text=True,
    )  # fmt: skip
    assert told.stdout.strip() == str(tmp_path)
