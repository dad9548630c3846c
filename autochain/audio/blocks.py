"""Reading a sound file block by block; what cannot be used is refused in one line."""

import errno
import math
import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

from autochain.audio.mix import Samples
from autochain.audio.whole import missing_part
from autochain.errors import AudioFileError, UsageError
from autochain.given import name_shown
from autochain.units import clock

LOWEST_RATE_HZ = 44100
HIGHEST_RATE_HZ = 192000
# One window of short-term loudness (EBU Tech 3341): below it half of the measures have no value.
SHORTEST_MIX_S = 3.0
_SHORTEST_HOPS = 300
# A floating-point file may exceed full scale, by a gain left in a mix; not by 60 dB. A limit of this project.
HIGHEST_SAMPLE = 1000.0

_BLOCK_FRAMES = 1 << 18  # 2 MB of stereo: more makes decoding no faster


@dataclass(frozen=True, slots=True, kw_only=True)
class MixBlocks:
    """A sound file whose header has been checked, read block by block while it is iterated.

    Every iteration starts at the beginning of the file. What only the samples can show (NaN, silence, too
    short, broken off) is refused where it shows, at the latest behind the last block.

    Attributes
    ----------
    path
        Where the file lies.
    rate_hz
        Sample rate, 44100 to 192000.
    channels
        1 or 2.
    subtype
        Sample format as libsndfile names it, such as `PCM_24`.
    block_frames
        Length of a block; the last one may be shorter. None reads the whole file as one block.
    frames
        Length as the header has it; an estimate in some formats.
    """

    path: Path
    rate_hz: int
    channels: int
    subtype: str
    block_frames: int | None
    frames: int = 0

    @property
    def file(self) -> str:
        """Base name, what is no text escaped: it goes into JSON and onto terminals."""
        return name_shown(self.path.name)

    def __iter__(self) -> Iterator[Samples]:
        """Blocks in order: float32, shape (frames, channels), C-contiguous, never empty."""
        where = shown(self.path)
        frames, sounding = 0, False
        with _opened(self.path, where) as file:
            promised = int(file.frames)
            while True:
                block = _decoded(file, -1 if self.block_frames is None else self.block_frames, where)
                if block.shape[0]:
                    _refuse_not_finite(block, frames, self.rate_hz, where)
                    frames += block.shape[0]
                    sounding = sounding or bool(block.any())
                if self.block_frames is None or block.shape[0] < self.block_frames:
                    _refuse_unusable(frames, promised, sounding, self.rate_hz, where)
                    if block.shape[0]:
                        yield block
                    return
                yield block


def read_blocks(path: str | Path, block_frames: int | None = _BLOCK_FRAMES) -> MixBlocks:
    """Open a finished mix to be read block by block, for files too long to be held as a whole.

    Parameters
    ----------
    path
        As for `read_mix`.
    block_frames
        Length of a block, at least 1; None for the whole file at once.

    Returns
    -------
    What to iterate over; the header has been checked, the samples are checked on the way.

    Raises
    ------
    AudioFileError
        As `read_mix`; what only the samples can show is raised while iterating.
    """
    path = Path(path)
    where = shown(path)
    if block_frames is not None and block_frames < 1:
        raise UsageError(f"block_frames is {block_frames} for {where}; a block has 1 frame or more. Give 1 or more.")
    if "\0" in str(path):
        raise AudioFileError(f"{where} holds a zero byte, and no file is called so; check the name.")
    try:
        if path.is_dir():
            raise AudioFileError(f"{where} is a folder; name one sound file in it.")
        if not path.exists():
            raise AudioFileError(f"{where} does not exist; check the name and the folder.")
        if not path.is_file():
            raise AudioFileError(f"{where} is not a regular file; name a sound file on disk.")
        if path.stat().st_size == 0:
            raise AudioFileError(f"{where} is empty (0 bytes); export the mix again.")
        missing = missing_part(path)  # opens it, too: a missing permission has its own message
    except OSError as error:
        raise unreadable(path, error) from error
    with _opened(path, where) as file:
        if missing is not None:
            there = "" if missing.share is None else f" after {100.0 * missing.share:.0f} % of what its header promises"
            raise AudioFileError(f"{where} breaks off{there}: the copy is not whole. Copy or export it again.")
        return MixBlocks(
            path=path,
            rate_hz=int(file.samplerate),
            channels=int(file.channels),
            subtype=str(file.subtype),
            block_frames=block_frames,
            frames=int(file.frames),
        )


@contextmanager
def one_state(path: str | Path) -> Iterator[None]:
    """What is read of a file inside is all of one state of it, however often it is opened.

    A bounce that still runs, a copy that is not done and a file that is saved anew would else be read as a mix of two.

    Raises
    ------
    AudioFileError
        Where the file is another at the end, in place of what that may have led to.
    """
    path = Path(path)
    before = _state(path)
    try:
        yield
    except AudioFileError:
        _refuse_changed(path, before)
        raise
    _refuse_changed(path, before)


def _state(path: Path) -> os.stat_result | None:
    """What the system says of a file; None where there is none."""
    try:
        return path.stat()
    except (OSError, ValueError):
        return None


def _refuse_changed(path: Path, before: os.stat_result | None) -> None:
    if before is None:
        return  # it never was there, which has its own message
    after = _state(path)
    if after is None:
        raise AudioFileError(f"{shown(path)} was taken away while it was read. Put it back, and start again.")
    if after.st_size != before.st_size:
        what = f"had {before.st_size} bytes at first and {after.st_size} at the end"
    elif after.st_mtime_ns != before.st_mtime_ns or (after.st_dev, after.st_ino) != (before.st_dev, before.st_ino):
        what = "was written anew"
    else:
        return
    raise AudioFileError(f"{shown(path)} {what} while it was read. Wait until nothing writes it, and start again.")


def unreadable(path: Path, error: OSError) -> AudioFileError:
    """Say in one line that the system does not open a file."""
    to_do = "give it a shorter name" if error.errno == errno.ENAMETOOLONG else "check the permissions"
    return AudioFileError(f"{shown(path)} cannot be opened ({error.strerror}); {to_do}.")


@contextmanager
def _opened(path: Path, where: str) -> Iterator[Any]:
    """Open a decoder, unless the header already forbids it."""
    try:
        file = soundfile.SoundFile(for_soundfile(path))
    except (soundfile.SoundFileError, TypeError, ValueError, OSError) as error:
        # TypeError: soundfile takes `.raw` for headerless samples and asks for a rate.
        raise AudioFileError(
            f"{where} is not a sound file that can be read; give WAV, FLAC, AIFF, Ogg or MP3."
        ) from error
    with file:
        rate_hz, channels = int(file.samplerate), int(file.channels)
        if int(file.frames) <= 0:
            raise AudioFileError(f"{where} holds no samples (0 frames); export the mix again.")
        if channels > 2:
            raise AudioFileError(
                f"{where} has {channels} channels; a mix has one or two. Export it as stereo."
            )
        if not LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ:
            raise AudioFileError(
                f"{where} has {rate_hz} Hz; a mix has {LOWEST_RATE_HZ} to {HIGHEST_RATE_HZ} Hz. "
                "Export it at its session rate."
            )
        yield file


def _decoded(file: Any, frames: int, where: str) -> Samples:
    """Decode the next frames, -1 for all, to float32 (frames, channels)."""
    try:
        samples = file.read(frames, dtype="float32", always_2d=True)
    except (soundfile.SoundFileError, MemoryError, OSError) as error:
        reason = getattr(error, "error_string", None) or str(error) or type(error).__name__
        raise AudioFileError(
            f"{where} cannot be decoded ({' '.join(reason.split()).rstrip('.')}); export the mix again."
        ) from error
    return np.ascontiguousarray(samples)


def _refuse_not_finite(block: Samples, first_frame: int, rate_hz: int, where: str) -> None:
    bad = first_not_finite(block)
    if bad is not None:
        kind = "not a number (NaN)" if np.isnan(block[bad]).any() else "infinite"
        raise AudioFileError(
            f"{where} has a sample at {clock((first_frame + bad) / rate_hz)} that is {kind}; find the plug-in or "
            "track that makes it and export the mix again."
        )
    if block.size and max(float(block.max()), -float(block.min())) > HIGHEST_SAMPLE:
        at = int(np.argmax(np.abs(block).max(axis=1) > HIGHEST_SAMPLE))
        level_db = 20.0 * math.log10(float(np.abs(block[at]).max()))
        raise AudioFileError(
            f"{where} has a sample of {level_db:+.0f} dBFS at {clock((first_frame + at) / rate_hz)}; no mix goes over "
            f"{20.0 * math.log10(HIGHEST_SAMPLE):+.0f} dBFS. Full scale is 1.0: check how it was exported."
        )


def _refuse_unusable(frames: int, promised: int, sounding: bool, rate_hz: int, where: str) -> None:
    # MPEG lengths may be estimates; a whole second missing means that the file breaks off.
    if promised - frames > rate_hz:
        raise AudioFileError(
            f"{where} breaks off at {clock(frames / rate_hz)} of {clock(promised / rate_hz)}; "
            "copy or export it again."
        )
    # The measures count in hops of whole frames: at 47952 Hz, 300 of them last 3.003 s.
    needed_s = max(SHORTEST_MIX_S, _SHORTEST_HOPS * round(rate_hz / 100) / rate_hz)
    if frames / rate_hz < needed_s:
        raise AudioFileError(
            f"{where} lasts {frames / rate_hz:.2f} s; the measurements need {math.ceil(100.0 * needed_s) / 100.0:g} s "
            "or more. Give the whole song."
        )
    if not sounding:
        raise AudioFileError(f"{where} is silent throughout (all samples are 0); check what was exported.")


def refuse_samples(samples: Samples, rate_hz: int, where: str) -> None:
    """Refuse samples in memory, shape (frames, channels), for what a file with them would be refused for."""
    _refuse_not_finite(samples, 0, rate_hz, where)
    _refuse_unusable(len(samples), len(samples), bool(samples.any()), rate_hz, where)


def first_not_finite(samples: Samples) -> int | None:
    """Frame of the first NaN or infinite sample, or None."""
    if samples.size == 0 or (np.isfinite(samples.min()) and np.isfinite(samples.max())):
        return None  # min and max carry a NaN through, so two cheap passes clear a sound file
    return int(np.argmin(np.isfinite(samples).all(axis=1)))


def for_soundfile(path: Path) -> bytes | Path:
    """Path as soundfile takes it: as bytes a name need not be valid UTF-8; where names are not bytes, it always is."""
    return os.fsencode(path) if os.name == "posix" else path


def shown(path: Path) -> str:
    """Path for a one-line message: control characters, such as a line break in a name, are escaped."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in str(path))
