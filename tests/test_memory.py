"""What is free is read from the system, and a song that does not fit is refused before it is read."""

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import soundfile

import autochain.audio.files as module
from autochain.audio import room
from autochain.audio.files import read_mix
from autochain.audio.signals import pink_noise
from autochain.errors import AudioFileError
from autochain.memory import available_bytes

# As proc(5) and the kernel's "Control Group v2", section Memory, describe them.
MEMINFO = "MemTotal:       24000000 kB\nMemFree:         1000000 kB\nMemAvailable:    8000000 kB\n"


def system(folder: Path, most: str) -> tuple[Path, Path]:
    (folder / "meminfo").write_text(MEMINFO, encoding="ascii")
    (folder / "memory.max").write_text(f"{most}\n", encoding="ascii")
    (folder / "memory.stat").write_text("anon 500000000\nfile 900000000\n", encoding="ascii")
    return folder / "meminfo", folder


@pytest.mark.parametrize(("most", "free"), [("max", 8_192_000_000), ("2000000000", 1_500_000_000), ("400000000", 0)])
def test_a_control_group_may_have_less_than_the_machine(tmp_path: Path, most: str, free: int) -> None:
    assert available_bytes(*system(tmp_path, most)) == free


def test_a_system_that_does_not_say_refuses_nothing(tmp_path: Path) -> None:
    assert available_bytes(tmp_path / "absent", tmp_path) is None


def test_a_song_longer_than_memory_allows_is_refused_with_the_length_that_fits(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    soundfile.write(tmp_path / "song.wav", pink_noise(30.0, 44100, -20.0).astype(np.float32), 44100)
    # Three times 30 s of stereo in 4 bytes are 31.8 MB, and the program by itself 450 MB.
    monkeypatch.setattr(module, "available_bytes", lambda: 482_000_000)
    assert len(read_mix(tmp_path / "song.wav").samples) == 30 * 44100
    monkeypatch.setattr(module, "available_bytes", lambda: 465_876_000)
    with pytest.raises(AudioFileError, match=r"lasts 0:30\.0 and would take 0\.5 GB .* enough for 0:15\.0 of its kind"):
        read_mix(tmp_path / "song.wav")


def test_a_song_on_disk_is_refused_by_what_it_takes_of_memory_and_disk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    soundfile.write(tmp_path / "song.wav", pink_noise(30.0, 44100, -20.0).astype(np.float32), 44100)
    # Of the program 550 MB, 125 kB a second, and on disk five times 30 s of stereo in 4 bytes: 52.9 MB.
    monkeypatch.setattr(room, "MOST_IN_MEMORY_BYTES", 5_000_000)
    monkeypatch.setattr(module, "MOST_IN_MEMORY_BYTES", 5_000_000)
    monkeypatch.setattr(module, "available_bytes", lambda: 553_750_000)
    monkeypatch.setattr(room.shutil, "disk_usage", lambda folder: SimpleNamespace(free=52_920_000))
    assert len(read_mix(tmp_path / "song.wav").samples) == 30 * 44100
    monkeypatch.setattr(module, "available_bytes", lambda: 552_500_000)
    with pytest.raises(AudioFileError, match=r"lasts 0:30\.0 and would take 0\.6 GB .* enough for 0:20\.0 of its kind"):
        read_mix(tmp_path / "song.wav")
    # Under what lies in memory: 5 MB are 14.2 s, of which three are held.
    monkeypatch.setattr(module, "available_bytes", lambda: 551_000_000)
    with pytest.raises(AudioFileError, match=r"enough for 0:14\.2 of its kind"):
        read_mix(tmp_path / "song.wav")
    monkeypatch.setattr(module, "available_bytes", lambda: None)
    monkeypatch.setattr(room.shutil, "disk_usage", lambda folder: SimpleNamespace(free=52_910_000))
    with pytest.raises(AudioFileError, match=r"has 0\.1 GB free, and a song so long needs 0\.1 GB there"):
        read_mix(tmp_path / "song.wav")
