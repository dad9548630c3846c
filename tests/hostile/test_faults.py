"""Disks that fill up, folders that go, mixes that change: one line says so, nothing is half-written, no source moves.

All at loudness that a gain alone reaches, so that no search costs time. `benchmarks/bench_reliability.py` ends runs at
random moments; here what fails is the system under them.
"""

import hashlib
import os
import shutil
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
import soundfile

from autochain.audio.signals import pink_noise
from autochain.cli import terminal
from tests.conftest import RATE, Ran

if sys.platform != "win32":
    import resource

Command = Callable[..., Ran]
GAIN_ALONE = ("--lufs", -25)
KINDS = ("suggest", "curve", "album", "render", "check", "compare")


@pytest.fixture(scope="module")
def asked(command: Command, tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[object, ...]]:
    """Commands by name, without their folder."""
    folder = tmp_path_factory.mktemp("faults")
    mixes, sheets = folder / "mixes", folder / "sheets"
    mixes.mkdir()
    for name, gain in (("one", 0.5), ("two", 0.4)):
        soundfile.write(mixes / f"{name}.wav", gain * pink_noise(4.0, RATE, -20.0), RATE, subtype="FLOAT")
    one = mixes / "one.wav"
    assert command("suggest", one, *GAIN_ALONE, "--no-log", "-o", sheets).code == 0
    return {
        "suggest": ("suggest", one, *GAIN_ALONE, "--preview", "--no-log"),
        "curve": ("curve", one, "--from", -26, "--to", -25),
        "album": ("album", mixes, *GAIN_ALONE, "--masters", "--no-log", "--jobs", 1),
        "render": ("render", one, "--sheet", sheets / "one.sheet.json", "--also", "flac24", "--also", "mp3:192",
                   "--no-log"),
        "check": ("check", mixes),
        "compare": ("compare", one, mixes / "two.wav", "--no-log"),
    }  # fmt: skip


@pytest.fixture(scope="module")
def straight(
    asked: dict[str, tuple[object, ...]], command: Command, tmp_path_factory: pytest.TempPathFactory
) -> dict[str, dict[str, str]]:
    """What the commands write where nothing fails: hashes by name."""
    found = {}
    for name, arguments in asked.items():
        out = tmp_path_factory.mktemp(name)
        ran = command(*arguments, "-o", out)
        assert ran.code == 0, ran.err
        found[name] = hashes(out)
    return found


def hashes(folder: Path) -> dict[str, str]:
    """Every file, by its hash."""
    files = (path for path in sorted(folder.rglob("*")) if path.is_file())
    return {str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


@contextmanager
def files_of_at_most(size: int) -> Iterator[None]:
    """A system that takes no more of any file than so many bytes."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


# What an album and a journal keep, so that --resume need not begin anew; and the overview, which tells of what failed.
KEPT = (".album.mixes.jsonl", ".journal.jsonl", "album.json", "album.md", "album.html")


@pytest.mark.skipif(sys.platform == "win32", reason="needs a limit on the size of files")
@pytest.mark.parametrize("size", [200, 5000, 20_000, 600_000])
@pytest.mark.parametrize("kind", KINDS)
def test_a_disk_that_fills_up(
    command: Command,
    asked: dict[str, tuple[object, ...]],
    straight: dict[str, dict[str, str]],
    tmp_path: Path,
    kind: str,
    size: int,
) -> None:
    sources = hashes(Path(str(asked["album"][1])))
    with files_of_at_most(size):
        ran = command(*asked[kind], "-o", tmp_path / "out")
    told = (ran.err + ran.out).splitlines()  # an album tells in its overview which tracks could not be done
    assert not any(words in ran.err for words in ("Traceback", "a fault of the program", "cannot be printed")), ran.err
    if ran.code == 0:
        assert hashes(tmp_path / "out") == straight[kind]  # all of it is smaller
    else:
        assert ran.code == 1
        assert any("cannot be written" in line and str(tmp_path) in line for line in told), ran.err
        assert any("make space" in line.lower() for line in told), ran.err
    for name, own in hashes(tmp_path / "out").items() if (tmp_path / "out").exists() else ():
        assert straight[kind].get(name) == own or name.endswith(KEPT), name
    assert hashes(Path(str(asked["album"][1]))) == sources


@pytest.mark.parametrize("kind", ["suggest", "album", "render", "compare"])
def test_a_folder_that_is_taken_away_during_the_run(
    command: Command,
    asked: dict[str, tuple[object, ...]],
    straight: dict[str, dict[str, str]],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    kind: str,
) -> None:
    """Its files are made in a new one of its name, or one line says that they cannot be."""
    shown = terminal._Lines.__call__
    phases = list[str]()

    def taken_away(self: terminal._Lines, phase: str, done: float) -> None:
        if phase not in phases:
            phases.append(phase)
            shutil.rmtree(tmp_path / "out", ignore_errors=True)
        shown(self, phase, done)

    monkeypatch.setattr(terminal._Lines, "__call__", taken_away)
    ran = command(*asked[kind], "-o", tmp_path / "out")
    assert phases
    assert not any(words in ran.err for words in ("Traceback", "a fault of the program", "cannot be printed")), ran.err
    there = hashes(tmp_path / "out") if (tmp_path / "out").exists() else {}
    if ran.code == 0:
        assert there == straight[kind]
    else:
        assert "cannot be written" in ran.err
        assert all(straight[kind].get(name) == own for name, own in there.items() if not name.endswith(KEPT))


@pytest.mark.parametrize("kind", ["suggest", "curve", "render", "check", "compare", "album"])
def test_a_mix_that_is_written_while_it_is_read(
    command: Command,
    asked: dict[str, tuple[object, ...]],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    kind: str,
) -> None:
    """As a bounce that still runs is: refused, with the reason."""
    mix = Path(str(asked["suggest"][1]))
    whole, opened = mix.read_bytes(), soundfile.SoundFile
    times = mix.stat()

    def longer(path: object, *arguments: object, **named: object) -> object:
        file = opened(path, *arguments, **named)
        if b"one.wav" in (path if isinstance(path, bytes) else b"") and "w" not in arguments:
            with mix.open("ab") as end:
                end.write(b"\0" * 8)
        return file

    monkeypatch.setattr(soundfile, "SoundFile", longer)
    try:
        ran = command(*asked[kind], "-o", tmp_path / "out")
    finally:
        mix.write_bytes(whole)
        os.utime(mix, ns=(times.st_atime_ns, times.st_mtime_ns))
    assert ran.code == 1
    assert "one.wav had " in ran.err
    assert "while it was read. Wait until nothing writes it" in ran.err
    if kind not in ("album", "check"):  # which go on with the other mix
        assert not (tmp_path / "out").exists()
