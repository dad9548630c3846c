"""Sound files as damage, odd programs and ill will leave them, made from whole ones by a source of chance."""

import io
import struct
from collections.abc import Callable
from functools import cache
from random import Random

import numpy as np
import soundfile

from autochain.audio.signals import pink_noise

# Suffix, container and subtype as libsndfile names them, rate in Hz.
KINDS = (
    ("wav", "WAV", "PCM_16", 44100), ("wav", "WAV", "FLOAT", 48000), ("wav", "WAVEX", "PCM_24", 44100),
    ("wav", "RF64", "PCM_24", 44100), ("w64", "W64", "PCM_16", 44100), ("aiff", "AIFF", "PCM_16", 44100),
    ("au", "AU", "PCM_16", 44100), ("flac", "FLAC", "PCM_16", 44100), ("ogg", "OGG", "VORBIS", 44100),
    ("mp3", "MP3", "MPEG_LAYER_III", 44100),
)  # fmt: skip
_HEADER = 96  # bytes in which most fields of a header lie
_WORDS = (0, 1, 2, 3, 0x7F, 0x80, 0xFF, 0x7FFF, 0x8000, 0xFFFF, 44100, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFE, 0xFFFFFFFF)
_SAMPLES = (np.nan, np.inf, -np.inf, 1e30, -1e30, 1001.0, 3e38, 1e-45, 0.0)


@cache
def whole(kind: tuple[str, str, str, int]) -> bytes:
    """A file of that kind, 3.1 s of noise."""
    _, container, subtype, rate_hz = kind
    target = io.BytesIO()
    sound = pink_noise(3.1, rate_hz, -20.0).astype(np.float32)
    soundfile.write(target, sound, rate_hz, format=container, subtype=subtype)
    return target.getvalue()


def hostile_sound(chance: Random) -> tuple[str, bytes, bool]:
    """Suffix, bytes, and whether the file is as good as whole: nothing was done to it that may be refused."""
    kind = chance.choice(KINDS)
    data, untouched = whole(kind), True
    for _ in range(chance.choice((0, 1, 1, 1, 2, 4))):
        data, untouched = chance.choice(_DAMAGES)(data, chance), False
    return kind[0], data, untouched


def _cut(data: bytes, chance: Random) -> bytes:
    return data[: chance.choice((0, 1, 4, 11, 12, 43, 44, 100, chance.randrange(len(data) + 1)))]


def _bytes_of_the_header(data: bytes, chance: Random) -> bytes:
    changed = bytearray(data)
    for _ in range(chance.choice((1, 2, 8))):
        if changed:
            changed[chance.randrange(min(len(changed), _HEADER))] = chance.randrange(256)
    return bytes(changed)


def _field_of_the_header(data: bytes, chance: Random) -> bytes:
    at, width = chance.randrange(0, _HEADER, 2), chance.choice((2, 4, 8))
    order = chance.choice("<>")
    word = struct.pack(order + {2: "H", 4: "I", 8: "Q"}[width], chance.choice(_WORDS) & (256**width - 1))
    return data[:at] + word + data[at + width :]


def _chunk(data: bytes, chance: Random) -> bytes:
    name = chance.choice((b"LIST", b"id3 ", b"bext", b"data", b"fmt ", b"fact", b"    ", b"\0\0\0\0", b"ds64"))
    own = bytes(chance.randrange(256) for _ in range(chance.choice((0, 1, 8, 64))))
    length = chance.choice((len(own), 0, 0xFFFFFFFF, 0x7FFFFFFF, len(own) + 1))
    at = chance.choice((12, 36, len(data)))
    return data[:at] + name + struct.pack("<I", length) + own + data[at:]


def _foreign_bytes(data: bytes, chance: Random) -> bytes:
    at = chance.randrange(len(data) + 1)
    return data[:at] + chance.randbytes(chance.choice((1, 100, 5000))) + data[at:]


def _a_hole(data: bytes, chance: Random) -> bytes:
    at, length = chance.randrange(len(data) + 1), chance.choice((1, 100, 50_000))
    return data[:at] + chance.choice((b"", b"\0" * length, b"\xff" * length)) + data[at + length :]


def _odd_samples(data: bytes, chance: Random) -> bytes:
    """Floating-point samples that are none, whatever the file holds there."""
    at = chance.randrange(_HEADER, max(_HEADER + 1, len(data)), 4)
    return data[:at] + struct.pack("<f", chance.choice(_SAMPLES)) + data[at + 4 :]


def _another_start(data: bytes, chance: Random) -> bytes:
    starts = (b"RIFF", b"RF64", b"FORM", b"fLaC", b"OggS", b"ID3\x04\0\0\x7f\x7f\x7f\x7f", b"\xff\xfb", b"")
    start = chance.choice(starts)
    return start + data[len(start) :]


_DAMAGES: tuple[Callable[[bytes, Random], bytes], ...] = (
    _cut, _cut, _bytes_of_the_header, _bytes_of_the_header, _field_of_the_header, _field_of_the_header, _chunk,
    _foreign_bytes, _a_hole, _odd_samples, _another_start,
)  # fmt: skip
