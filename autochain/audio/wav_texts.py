"""Texts of a WAV's INFO list, of any length: libsndfile stops at the first one of 2 kB or more.

Layout: Multimedia Programming Interface and Data Specifications 1.0 (1991), RIFF and its INFO list;
RF64: EBU Tech 3306.
"""

import struct
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

_NAMES = {
    b"INAM": "title", b"IART": "artist", b"IPRD": "album", b"ICRD": "date", b"ITRK": "tracknumber", b"IGNR": "genre",
    b"ICOP": "copyright", b"ICMT": "comment",
}  # fmt: skip
_MOST_BYTES = 1 << 20  # a list of texts that is larger holds none that anyone reads


def read_wav_texts(path: Path) -> dict[str, str]:
    """Texts by name; empty for a file that is no WAV, has none, or is damaged. OSError when it cannot be opened."""
    with path.open("rb") as file:
        head = file.read(12)
        if head[:4] not in (b"RIFF", b"RF64") or head[8:] != b"WAVE":
            return {}
        found: dict[str, str] = {}
        for name, size in _chunks(file):
            if name == b"LIST" and size <= _MOST_BYTES:
                found.update(_texts(file.read(size)))
        return found


def _chunks(file: BinaryIO) -> Iterator[tuple[bytes, int]]:
    """Name and size of every chunk, the file standing at its content."""
    at = file.tell()
    large = 0  # length of the sound where 32 bits cannot tell it
    while len(head := file.read(8)) == 8:
        name, size = struct.unpack("<4sI", head)
        if name == b"ds64" and len(sizes := file.read(16)) == 16:
            large = struct.unpack("<8xQ", sizes)[0]
            file.seek(at + 8)
        if name == b"data" and size == 0xFFFFFFFF:
            size = large
        yield name, size
        at += 8 + size + size % 2
        file.seek(at)


def _texts(content: bytes) -> Iterator[tuple[str, str]]:
    if content[:4] != b"INFO":
        return
    at = 4
    while at + 8 <= len(content):
        name, size = struct.unpack_from("<4sI", content, at)
        raw = content[at + 8 : at + 8 + size].split(b"\0", 1)[0]
        if name in _NAMES:
            try:
                yield _NAMES[name], raw.decode("utf-8")
            except UnicodeDecodeError:  # the specification means the code page of whoever wrote it
                yield _NAMES[name], raw.decode("latin-1")
        at += 8 + size + size % 2
