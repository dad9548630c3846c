"""Mixes that run into each other, read as one."""

import hashlib
from collections.abc import Iterator, Sequence
from itertools import pairwise
from pathlib import Path

import numpy as np

from autochain.audio.files import read_mix
from autochain.audio.mix import Mix
from autochain.audio.room import gathered
from autochain.errors import AudioFileError


def read_joined(paths: Sequence[Path]) -> tuple[Mix, list[int]]:
    """Read mixes one after the other, sample to sample, and the frame at which each begins.

    One alone is as `read_mix` gives it; the hash of several is that of their hashes, a line each.

    Raises
    ------
    AudioFileError
        Where one cannot be read, or two differ in sample rate or channels.
    """
    mixes = [read_mix(path) for path in paths]
    for one, other in pairwise(mixes):
        if (one.rate_hz, one.channels) != (other.rate_hz, other.channels):
            raise AudioFileError(
                cannot_run_into((one.file, one.rate_hz, one.channels), (other.file, other.rate_hz, other.channels))
            )
    starts = np.cumsum([0, *(len(mix.samples) for mix in mixes[:-1])]).tolist()
    if len(mixes) == 1:
        return mixes[0], starts
    whole = Mix(
        samples=gathered(
            (mix.samples for mix in mixes), (sum(len(mix.samples) for mix in mixes), mixes[0].channels), np.float32
        ),
        rate_hz=mixes[0].rate_hz,
        file=" + ".join(mix.file for mix in mixes),
        sha256=joined_sha256([mix.sha256 for mix in mixes]),
        subtype=mixes[0].subtype,
    )
    return whole, starts


def cannot_run_into(one: tuple[str, int, int], other: tuple[str, int, int]) -> str:
    """What to say of two mixes, by file, sample rate in Hz and channels, that cannot be joined."""
    (first, first_hz, first_channels), (second, second_hz, second_channels) = one, other
    return (
        f"{first} ({first_hz} Hz, channels: {first_channels}) cannot run into {second} "
        f"({second_hz} Hz, channels: {second_channels}). Bring both to one format."
    )


def joined_sha256(hashes: Sequence[str]) -> str:
    """Hash of several files by theirs; that of one is its own."""
    return hashes[0] if len(hashes) == 1 else hashlib.sha256("\n".join(hashes).encode()).hexdigest()


def song_slices(starts: Sequence[int], frames: int) -> Iterator[slice]:
    """Frames of each mix in the whole."""
    return (slice(begin, end) for begin, end in pairwise([*starts, frames]))
