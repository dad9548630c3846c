"""Whether a sound file is all there: what its header promises against the bytes that the file has.

A file that was copied by half still decodes, up to where it ends. libsndfile clips the promised length to the file, so
the header is read here:

- RIFF and RF64 (EBU Tech 3306, `ds64`), W64, AIFF (FORM), AU: where the sound data end.
- Ogg (RFC 3533, section 6): the last page of a stream carries the flag 4, end of stream.
- MPEG audio: bytes of the stream from the `Xing` or `Info` header of its first frame, where there is one (from memory).

A length that was never filled in (0 or all ones, as of a stream written into a pipe) promises nothing.
"""

import struct
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

# Headers that are off by their own length are common, and lose nothing anyone hears.
_SLACK_BYTES = 1024
_UNKNOWN_32, _UNKNOWN_64 = (0, 0xFFFFFFFF, 0x7FFFFFFF), (0, 0xFFFFFFFFFFFFFFFF)
_MOST_CHUNKS = 1000  # of a damaged header
_FARTHEST = 2**62  # a file is not searched beyond
_W64_RIFF = b"riff\x2e\x91\xcf\x11\xa5\xd6\x28\xdb\x04\xc1\x00\x00"
_W64_DATA = b"data\xf3\xac\xd3\x11\x8c\xd1\x00\xc0\x4f\x8e\xdb\x8a"
_OGG_PAGE_BYTES = 27 + 255 + 255 * 255  # the longest
_END_OF_STREAM = 0x04


@dataclass(frozen=True, slots=True, kw_only=True)
class Missing:
    """A file that ends too early; `share` is the part of it that is there, None where that cannot be told."""

    share: float | None


def missing_part(path: Path) -> Missing | None:
    """What a sound file lacks of what it promises; None for a whole one and where nothing is promised.

    Raises
    ------
    OSError
        When the file cannot be read.
    """
    size = path.stat().st_size
    with path.open("rb") as file:
        head = file.read(12)
        file.seek(0)
        if head[:4] == b"OggS":
            return None if _ogg_ends(file, size) else Missing(share=None)
        end = _promised_end(head, file)
    if end is None or end <= size + _SLACK_BYTES:
        return None
    return Missing(share=size / end)


def _promised_end(head: bytes, file: BinaryIO) -> int | None:
    """Byte behind the last one promised."""
    if head[:4] in (b"RIFF", b"RF64", b"BW64") and head[8:12] == b"WAVE":
        return _riff_end(file, "<")
    if head[:4] == b"RIFX" and head[8:12] == b"WAVE":
        return _riff_end(file, ">")
    if head[:4] == b"FORM" and head[8:12] in (b"AIFF", b"AIFC"):
        return _chunk_end(file, ">", lambda name: name == b"SSND")
    if head == _W64_RIFF[:12]:
        return _w64_end(file)
    if head[:4] in (b".snd", b"dns.") and len(head) == 12:
        start, length = struct.unpack((">" if head[:4] == b".snd" else "<") + "II", head[4:12])
        return None if length in _UNKNOWN_32 else start + length
    return _mpeg_end(file)


def _riff_end(file: BinaryIO, order: str) -> int | None:
    found: list[int] = []

    def of_data(name: bytes) -> bool:
        if name == b"ds64":  # sizes of the whole and of the data in 64 bits
            sizes = file.read(16)
            found.extend(struct.unpack(order + "QQ", sizes) if len(sizes) == 16 else ())
            file.seek(-len(sizes), 1)
        return name == b"data"

    end = _chunk_end(file, order, of_data)
    if end is None and len(found) == 2 and found[1] not in _UNKNOWN_64:
        return file.tell() + found[1]
    return end


def _chunk_end(file: BinaryIO, order: str, wanted: Callable[[bytes], bool]) -> int | None:
    """End of the first wanted chunk of a RIFF or IFF file; leaves the file at the start of its content."""
    file.seek(12)
    for _ in range(_MOST_CHUNKS):
        header = file.read(8)
        if len(header) < 8:
            return None
        name, length = header[:4], struct.unpack(order + "I", header[4:])[0]
        start = file.tell()
        if wanted(name):
            return None if length in _UNKNOWN_32 else start + length
        file.seek(start + length + length % 2)
    return None


def _w64_end(file: BinaryIO) -> int | None:
    """Chunks of W64 have names of 16 bytes, a length of 8 that includes both, and begin at multiples of 8."""
    file.seek(40)
    for _ in range(_MOST_CHUNKS):
        header = file.read(24)
        if len(header) < 24:
            return None
        length = struct.unpack("<Q", header[16:])[0]
        if header[:16] == _W64_DATA:
            return None if length in _UNKNOWN_64 else file.tell() - 24 + length
        if not 24 <= length < _FARTHEST:
            return None
        file.seek(file.tell() - 24 + (length + 7) // 8 * 8)
    return None


def _ogg_ends(file: BinaryIO, size: int) -> bool:
    """Whether the last page is there whole, and says that it is the last."""
    start = max(0, size - _OGG_PAGE_BYTES)
    file.seek(start)
    tail = file.read()
    at = tail.rfind(b"OggS")
    while at >= 0:
        page = tail[at:]
        if len(page) >= 27 and len(page) >= 27 + page[26]:
            length = 27 + page[26] + sum(page[27 : 27 + page[26]])
            if len(page) >= length:
                return bool(page[5] & _END_OF_STREAM)
        at = tail.rfind(b"OggS", 0, at)
    return False


def _mpeg_end(file: BinaryIO) -> int | None:
    """End of the stream by the header that encoders put into the first frame; ID3v2 may come before."""
    start = 0
    tag = file.read(10)
    if tag[:3] == b"ID3" and len(tag) == 10:
        a, b, c, d = tag[6:10]
        start = 10 + (a << 21 | b << 14 | c << 7 | d) + (10 if tag[5] & 0x10 else 0)
    file.seek(start)
    frame = file.read(256)
    if len(frame) < 8 or frame[0] != 0xFF or frame[1] & 0xE0 != 0xE0:
        return None
    for name in (b"Xing", b"Info"):
        at = frame.find(name)
        if 0 < at <= 64 and len(frame) >= at + 16:
            flags = struct.unpack(">I", frame[at + 4 : at + 8])[0]
            place = at + 8 + 4 * (flags & 1)
            length = struct.unpack(">I", frame[place : place + 4])[0] if flags & 2 else 0
            return start + int(length) if length else None
    return None
