"""A song that lies on disk: the files of one that lies in memory, and hardly more memory for more of it."""

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

from autochain.audio import room
from autochain.demo import make_demo
from tests.conftest import RATE, Ran

# The command with every sound on disk and few pages of it in memory; says the most that was resident, in kB (proc(5)).
ON_DISK = """
import sys
from autochain.audio import room
from autochain.cli.main import main
from autochain.measure import inspection

room.MOST_IN_MEMORY_BYTES, room._MOST_PAGES_BYTES = 4_000_000, 8_000_000
inspection._AT_ONCE_S = 0.0  # as of hours
try:
    main()
finally:
    lines = open("/proc/self/status").read().splitlines()
    print(next(line.split()[1] for line in lines if line.startswith("VmHWM:")), file=sys.stderr)
"""
ALSO = ("--also", "wav16", "--also", "flac24@96000")  # a coder puts a number of its own into every file


def written(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def test_on_disk_the_bytes_of_sheet_preview_and_masters_are_the_same(
    brief_mix: Path,
    small_plan: Path,
    command: Callable[..., Ran],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def files(name: str, most_bytes: int) -> tuple[dict[str, bytes], dict[str, bytes]]:
        monkeypatch.setattr(room, "MOST_IN_MEMORY_BYTES", most_bytes)
        out, masters = tmp_path / name, tmp_path / f"{name}-masters"
        found = command("suggest", brief_mix, "--lufs", "-9", "--config", small_plan, "-o", out, "--preview")
        assert found.code == 0, found.err
        sheet = out / f"{brief_mix.stem}.sheet.json"
        made = command("render", brief_mix, "--sheet", sheet, "-o", masters, "--solve", "--alternate", other, *ALSO)
        assert made.code == 0, made.err
        return written(out), written(masters)

    other = tmp_path / "other.wav"
    samples, rate_hz = soundfile.read(brief_mix, dtype="float32")
    soundfile.write(other, samples[:, :1], rate_hz, subtype="FLOAT")
    mapped: list[int] = []
    look_after = room._KEEPER.look_after
    monkeypatch.setattr(room._KEEPER, "look_after", lambda own: mapped.append(len(own)) or look_after(own))
    in_memory = files("memory", 1 << 40)
    assert not mapped
    assert files("disk", -1) == in_memory
    assert max(mapped) >= samples.nbytes
    assert len(in_memory[1]) == 2 * (1 + len(ALSO) // 2) + 4


@pytest.mark.skipif(sys.platform != "linux", reason="the system does not tell what was resident")
def test_three_minutes_more_take_less_memory_than_one_copy_of_them(small_plan: Path, tmp_path: Path) -> None:
    half = make_demo("dense_rock", RATE, 30.0, 1)
    most_mb: dict[str, list[float]] = {"suggest": [], "render": [], "compare": []}
    for halves in (1, 7):
        mix, sheet = tmp_path / f"{halves}.wav", tmp_path / f"{halves}.sheet.json"
        # Every half minute at another level, so that nothing repeats.
        parts = [half * np.float32(10.0 ** (-0.05 * turn)) for turn in range(halves)]
        soundfile.write(mix, np.concatenate(parts), RATE, subtype="PCM_16")
        # What a page plays lasts a minute at most, and is more for the longer song.
        asked = {
            "suggest": ["--lufs", "-11", "--config", str(small_plan), "--no-sound", "-o", str(tmp_path)],
            "render": ["--sheet", str(sheet), "-o", str(tmp_path)],
            "compare": [str(tmp_path / f"{halves}.master.wav")],
        }
        for name, options in asked.items():
            called = [sys.executable, "-c", ON_DISK, name, str(mix), *options, "--no-log"]
            ran = subprocess.run(called, capture_output=True, text=True, check=False)
            assert ran.returncode == 0, ran.stderr
            most_mb[name].append(int(ran.stderr.split()[-1]) / 1000.0)
    copy_mb = 180.0 * RATE * 2 * 4 / 1e6  # of the three minutes, as float32
    for name, (short, long) in most_mb.items():
        assert long - short < copy_mb, f"{name}: {most_mb}"
