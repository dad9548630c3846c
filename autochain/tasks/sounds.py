"""Sounds that a job is given: files, or samples that are in memory already."""

import hashlib
import os
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from autochain.audio.blocks import HIGHEST_RATE_HZ, LOWEST_RATE_HZ, read_blocks, refuse_samples
from autochain.audio.files import read_mix
from autochain.audio.mix import Mix
from autochain.errors import AudioFileError
from autochain.given import name_shown

Sound = Path | Mix
IN_MEMORY = "mix.wav"  # what samples without a file are called, and their results after them


def header_of(sound: Sound) -> tuple[int, int]:
    """Sample rate in Hz and channels, without reading the samples; AudioFileError where the header forbids a file."""
    if isinstance(sound, Mix):
        return sound.rate_hz, sound.channels
    blocks = read_blocks(sound)
    return blocks.rate_hz, blocks.channels


def loaded(sound: Sound) -> Mix:
    """The whole sound; AudioFileError as `audio.files.read_mix`."""
    return sound if isinstance(sound, Mix) else read_mix(sound)


def path_of(sound: Sound) -> Path:
    """Where it lies; for samples in memory a path at which no file can be, with the name that they are given."""
    if not isinstance(sound, Mix):
        return sound
    return Path(os.devnull, sound.file) if sound.path is None else sound.path


def name_of(path: Path) -> str:
    """Base name of a file, what is no text escaped: it goes into JSON."""
    return name_shown(path.name)


def files_among(sources: Iterable[object]) -> tuple[Path, ...]:
    """Those that are files, or were read from one: these are never replaced."""
    paths = (source.path if isinstance(source, Mix) else source for source in sources)
    return tuple(path for path in paths if isinstance(path, Path))


def mix_of(samples: npt.NDArray[Any], rate_hz: int) -> Mix:
    """Samples in memory as a mix.

    Parameters
    ----------
    samples
        Floating point, shape (frames,) or (frames, channels), full scale +-1.0, at least 3 s, one or two channels.
    rate_hz
        44100 to 192000.

    Raises
    ------
    AudioFileError
        Where they are no such thing; what `audio.files.read_mix` refuses in a file is refused here, too.
    """
    sound = np.asarray(samples)
    if sound.dtype.kind != "f":
        raise AudioFileError(
            f"the samples are {sound.dtype.name}; they must be floating point with full scale at 1. Divide them by "
            "the full scale of their type."
        )
    if sound.ndim == 1:
        sound = sound[:, np.newaxis]
    if sound.ndim != 2 or not 1 <= sound.shape[1] <= 2:
        raise AudioFileError(
            f"the samples have the shape {np.shape(samples)}; it must be (frames, channels) with one or two channels. "
            "Turn the array round or pick two channels."
        )
    if not LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ:
        raise AudioFileError(
            f"the samples have {rate_hz} Hz; a mix has {LOWEST_RATE_HZ} to {HIGHEST_RATE_HZ} Hz. Resample them first."
        )
    own = np.ascontiguousarray(sound, dtype=np.float32)
    refuse_samples(own, rate_hz, "the array")
    digest = hashlib.sha256(f"{rate_hz} {own.shape[1]} ".encode())
    digest.update(own.data)
    return Mix(samples=own, rate_hz=int(rate_hz), file=IN_MEMORY, sha256=digest.hexdigest(), subtype="FLOAT")
