"""Tags through files."""

import struct
from pathlib import Path

import numpy as np
import pytest
import soundfile

from autochain.audio.files import write_wav
from autochain.audio.tags import TAG_NAMES, read_tags
from autochain.audio.wav_texts import read_wav_texts

SILENCE = np.zeros((4800, 2), np.float32)


@pytest.mark.parametrize(("container", "ending"), [("WAV", "wav"), ("FLAC", "flac")])
@pytest.mark.parametrize("length", [1, 2047, 2048, 3000, 9999])
def test_long_texts_come_back_whole_and_hide_no_others(
    container: str, ending: str, length: int, tmp_path: Path
) -> None:
    tags = {name: f"{name} \u00fc" for name in TAG_NAMES if name not in ("date", "tracknumber")}
    tags |= {"date": "2031", "tracknumber": "7", "comment": "\u00e9" * length}
    path = tmp_path / f"a.{ending}"
    write_wav(path, SILENCE, 48000, 1, container=container, tags=tags)
    assert read_tags(path) == tags
    assert read_tags(path)["comment"] == tags["comment"]
    # An outside reader with the limit still finds all the others.
    with soundfile.SoundFile(path) as file:
        seen = file.copy_metadata()
    assert {name: seen[name] for name in TAG_NAMES if name != "comment"} == {
        name: text for name, text in tags.items() if name != "comment"
    }


def riff(*chunks: tuple[bytes, bytes], kind: bytes = b"RIFF") -> bytes:
    body = b"".join(name + struct.pack("<I", len(text)) + text + b"\0" * (len(text) % 2) for name, text in chunks)
    return kind + struct.pack("<I", 4 + len(body)) + b"WAVE" + body


def test_texts_by_another_hand_and_damaged_ones(tmp_path: Path) -> None:
    """Bytes laid out by hand after the specification of 1991: odd lengths are padded, names end with a zero."""
    path = tmp_path / "a.wav"
    texts = b"INFO" + b"INAM" + struct.pack("<I", 3) + b"ab\0\0" + b"IART" + struct.pack("<I", 2) + b"\xfc\0"
    whole = riff((b"fmt ", b"x" * 16), (b"data", b"12345"), (b"LIST", texts))
    path.write_bytes(whole)
    assert read_wav_texts(path) == {"title": "ab", "artist": "\u00fc"}
    for end in range(len(whole)):
        path.write_bytes(whole[:end])
        assert set(read_wav_texts(path)) <= {"title", "artist"}
    path.write_bytes(b"OggS" + whole)
    assert read_wav_texts(path) == {}
    # RF64: the sound's length stands in `ds64` (EBU Tech 3306).
    sizes = struct.pack("<QQQI", 0, 5, 0, 0)
    long = riff((b"ds64", sizes), (b"data", b"12345"), (b"LIST", texts), kind=b"RF64")
    path.write_bytes(long.replace(b"data\x05\0\0\0", b"data\xff\xff\xff\xff"))
    assert read_wav_texts(path)["title"] == "ab"
