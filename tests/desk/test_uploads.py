"""Files dropped on the page: copied whole and under a free name, or not at all."""

import asyncio
import os
import time
import unicodedata
from collections.abc import AsyncIterator, Iterable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from autochain.desk import uploads
from autochain.desk.uploads import TooLargeError, clear_old, name_for, receive
from autochain.errors import AutochainError, UsageError
from tests.desk.asking import in_a_loop, names_in, write_mix


def sent(name: str, folder: Path, blocks: Iterable[bytes], promised: int | None = None) -> Path:
    async def body() -> AsyncIterator[bytes]:
        for block in blocks:
            yield block

    return in_a_loop(receive(name, folder, body(), promised))


def blocks_of(path: Path, size: int = 50_000) -> list[bytes]:
    data = path.read_bytes()
    return [data[k : k + size] for k in range(0, len(data), size)]


def test_a_mix_arrives_byte_for_byte(tmp_path: Path) -> None:
    mix = write_mix(tmp_path / "a.wav")
    there = sent("song.wav", tmp_path / "mixes", blocks_of(mix), mix.stat().st_size)
    assert there == tmp_path / "mixes" / "song.wav"
    assert there.read_bytes() == mix.read_bytes()
    assert names_in(tmp_path / "mixes") == ["song.wav"]


def test_a_file_that_is_there_is_never_written_over(tmp_path: Path) -> None:
    mix = write_mix(tmp_path / "a.wav")
    (tmp_path / "song.wav").write_bytes(b"mine")
    (tmp_path / "song-2.wav").symlink_to(tmp_path / "nowhere")
    there = sent("song.wav", tmp_path, blocks_of(mix))
    assert there.name == "song-3.wav"
    assert (tmp_path / "song.wav").read_bytes() == b"mine"
    assert not (tmp_path / "nowhere").exists()


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        ("nothing", "empty"),
        ("text", "not a sound file"),
        ("cut off", "breaks off"),
        ("one second", "lasts"),
        ("broken off on the way", "broke off"),
        ("more than promised", "broke off"),
    ],
)
def test_what_is_no_whole_mix_leaves_nothing(kind: str, words: str, tmp_path: Path) -> None:
    blocks, promised = blocks_of(write_mix(tmp_path / "a.wav", 1.0 if kind == "one second" else 4.0)), None
    size = sum(map(len, blocks))
    if kind == "nothing":
        blocks = []
    elif kind == "text":
        blocks = [b"no sound at all " * 1000]
    elif kind == "cut off":
        blocks = blocks[: len(blocks) // 2]
    elif kind == "broken off on the way":
        blocks, promised = blocks[:-1], size
    elif kind == "more than promised":
        promised = size - 1
    folder = tmp_path / "mixes"
    with pytest.raises(AutochainError, match=words) as refused:
        sent("song.wav", folder, blocks, promised)
    assert ".desk-" not in str(refused.value)  # it is called by its own name
    assert "song.wav" in str(refused.value)
    assert names_in(folder) == []


def test_a_connection_that_breaks_leaves_nothing(tmp_path: Path) -> None:
    async def body() -> AsyncIterator[bytes]:
        yield b"RIFF"
        raise ConnectionResetError

    with pytest.raises(AutochainError):
        in_a_loop(receive("song.wav", tmp_path, body(), None))
    assert names_in(tmp_path) == []


def test_a_task_that_is_cancelled_leaves_nothing(tmp_path: Path) -> None:
    async def body() -> AsyncIterator[bytes]:
        yield b"RIFF"
        await asyncio.sleep(60.0)

    async def run() -> None:
        task = asyncio.create_task(receive("song.wav", tmp_path, body(), None))
        await asyncio.sleep(0.05)
        assert len(names_in(tmp_path)) == 1
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)

    in_a_loop(run())
    assert names_in(tmp_path) == []


def test_more_than_is_taken_is_refused_before_and_on_the_way(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(uploads, "LARGEST_FILE", 100_000)
    with pytest.raises(TooLargeError, match="too large"):
        sent("song.wav", tmp_path, [], promised=100_001)
    taken = 0

    def endless() -> Iterable[bytes]:
        nonlocal taken
        while True:
            taken += 1
            yield b"x" * 10_000

    with pytest.raises(TooLargeError, match="too large"):
        sent("song.wav", tmp_path, endless())
    assert taken == 11
    assert names_in(tmp_path) == []


def test_a_disk_that_is_nearly_full_takes_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(uploads.shutil, "disk_usage", lambda path: type("Usage", (), {"free": 500_000_010})())
    with pytest.raises(TooLargeError):
        sent("song.wav", tmp_path, [b"x" * 20])
    assert names_in(tmp_path) == []


def test_a_folder_takes_so_many_files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(uploads, "MOST_FILES", 3)
    mix = write_mix(tmp_path / "a.wav")
    folder = tmp_path / "mixes"
    for _ in range(3):
        sent("song.wav", folder, blocks_of(mix))
    with pytest.raises(UsageError, match="3 files"):
        sent("song.wav", folder, blocks_of(mix))
    assert len(names_in(folder)) == 3


def test_a_folder_that_cannot_be_made_is_told(tmp_path: Path) -> None:
    (tmp_path / "mixes").write_text("a file")
    with pytest.raises(AutochainError, match="cannot be written"):
        sent("song.wav", tmp_path / "mixes", [b"x"])


@pytest.mark.parametrize(
    ("given", "name"),
    [
        ("song.wav", "song.wav"),
        ("Song One (mix 3).FLAC", "Song One (mix 3).FLAC"),
        ("../../etc/passwd.wav", "_.._etc_passwd.wav"),
        ("..\\..\\x.wav", "_.._x.wav"),
        ("/abs.wav", "_abs.wav"),
        ("C:\\x.wav", "C__x.wav"),
        (".hidden.wav", "hidden.wav"),
        ("a\nb\x00c\u202e.wav", "a_b_c_.wav"),
        ("e\u0301.wav", "\u00e9.wav"),
        (" .song .wav", "song.wav"),
        ("a.wav:stream.wav", "a.wav_stream.wav"),
    ],
)
def test_a_name_is_made_safe(given: str, name: str) -> None:
    assert name_for(given) == name


@pytest.mark.parametrize(
    "given", ["", ".", "..", ".wav", "song", "song.exe", "song.wav.exe", "song.html", "...wav", "/"]
)
def test_a_name_that_is_none_is_refused(given: str) -> None:
    with pytest.raises(UsageError):
        name_for(given)


@given(st.text(max_size=400), st.sampled_from([".wav", ".WAV", ".flac", ".mp3"]))
def test_no_name_leaves_its_folder(stem: str, ending: str) -> None:
    try:
        name = name_for(stem + ending)
    except UsageError:
        return
    assert Path(name).name == name
    assert not name.startswith(".")
    assert len(name.encode()) <= 160
    assert not any(unicodedata.category(c).startswith(("C", "Zl", "Zp")) for c in name)
    assert not set(name) & set('/\\:*?"<>|')
    assert name_for(name) == name


def test_what_a_kill_has_left_goes_after_a_day(tmp_path: Path) -> None:
    old, new, mine = tmp_path / ".desk-0a.part", tmp_path / ".desk-1b.part", tmp_path / "mix.part"
    for path in (old, new, mine):
        path.touch()
    os.utime(old, (time.time() - 90_000, time.time() - 90_000))
    os.utime(mine, (time.time() - 90_000, time.time() - 90_000))
    clear_old(tmp_path)
    assert sorted(names_in(tmp_path)) == [new.name, mine.name]
