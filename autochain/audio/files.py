"""Sound and text files in and out: every refusal is one line, and nothing half-written is left behind."""

import errno
import hashlib
import itertools
import os
import secrets
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
import numpy.typing as npt
import soundfile

from autochain.audio.blocks import MixBlocks, first_not_finite, for_soundfile, one_state, read_blocks, shown, unreadable
from autochain.audio.dither import quantise
from autochain.audio.mix import Mix, Samples
from autochain.audio.room import MOST_IN_MEMORY_BYTES, gathered, on_disk, refuse_full_disk
from autochain.audio.tags import put_tags
from autochain.errors import AudioFileError, UsageError
from autochain.memory import available_bytes
from autochain.units import clock

_BLOCK_FRAMES = 1 << 18  # dithering works block by block, so that a long song needs no second copy of itself
# Measured: what a search holds at most, in samples of its song, and the program itself (benchmarks/bench_long_file.py);
# where its songs lie on disk, more of them, and in memory what the measures keep of every second.
_SONGS_HELD, _BYTES_WITHOUT_A_SONG = 3, 450_000_000
_SONGS_ON_DISK, _BYTES_BESIDE_DISK, _BYTES_A_SECOND = 5, 550_000_000, 125_000
_LARGEST_WAV_BYTES = 2**32 - 1 - 128  # the size fields of a WAV header have 32 bits; 128 bytes for the header


def read_mix(path: str | Path) -> Mix:
    """Read a finished mix: WAV, FLAC, AIFF, Ogg, MP3 or another format libsndfile knows.

    Parameters
    ----------
    path
        File with one or two channels, 44.1 to 192 kHz, at least 3 s. Floating-point files may exceed +-1.0.

    Returns
    -------
    Mix with float32 samples, shape (frames, channels), and the SHA-256 of the file's bytes.

    Raises
    ------
    AudioFileError
        When the file is missing, a folder, empty, no sound file, broken off or damaged, too short, outside
        the rates, has more than two channels, is silent throughout, or holds NaN or infinite samples. Also
        when it is longer than the memory and the disk that are free allow, or changes while it is read.
    """
    with one_state(path):
        blocks = read_blocks(path)
        _refuse_too_long(blocks, available_bytes())
        try:
            with blocks.path.open("rb") as stream:
                sha256 = hashlib.file_digest(stream, "sha256").hexdigest()
        except OSError as error:
            raise unreadable(blocks.path, error) from error
        samples = gathered(blocks, (blocks.frames, blocks.channels), np.float32)
    return Mix(
        samples=samples,
        rate_hz=blocks.rate_hz,
        file=blocks.file,
        sha256=sha256,
        subtype=blocks.subtype,
        path=blocks.path,
    )


def _refuse_too_long(blocks: MixBlocks, available: int | None) -> None:
    """Refuse a song that would not fit, before it is read: what works on it holds it as a whole, and more."""
    second_bytes = blocks.channels * np.dtype(np.float32).itemsize * blocks.rate_hz
    seconds = blocks.frames / blocks.rate_hz
    needed = _needed_bytes(seconds, second_bytes)
    if available is not None and needed > available:
        most_s = MOST_IN_MEMORY_BYTES / second_bytes
        longest_s = max(0, available - _BYTES_BESIDE_DISK) / _BYTES_A_SECOND
        if longest_s <= most_s:
            longest_s = min(most_s, max(0, available - _BYTES_WITHOUT_A_SONG) / (_SONGS_HELD * second_bytes))
        raise AudioFileError(
            f"{shown(blocks.path)} lasts {clock(seconds)} and would take {needed / 1e9:.1f} GB "
            f"of memory; {available / 1e9:.1f} GB are free, enough for {clock(longest_s)} of its kind. Close other "
            "programs or split it; check takes any length."
        )
    if on_disk(round(second_bytes * seconds)):
        refuse_full_disk(round(_SONGS_ON_DISK * second_bytes * seconds))


def _needed_bytes(seconds: float, second_bytes: int) -> float:
    """Memory that works on a song of so many seconds, of so many bytes as float32."""
    size = round(second_bytes * seconds)
    if on_disk(size):
        return _BYTES_BESIDE_DISK + _BYTES_A_SECOND * seconds
    return _BYTES_WITHOUT_A_SONG + _SONGS_HELD * size


def check_output(
    folder: str | Path, names: Iterable[str], force: bool = False, sources: Iterable[Path] = ()
) -> None:
    """Make sure that `names` can be written in a folder, without making anything: its files make it.

    Meant for the start of a long run, so that a wrong folder costs a second and not the run.

    Parameters
    ----------
    folder
        Where the results go; made with its parents when the first of them is written.
    names
        File names inside it that will be written.
    force
        Whether existing files may be replaced.
    sources
        Input files, which are never replaced, whatever `force` says.

    Raises
    ------
    AudioFileError
        When the folder cannot be created or written to.
    UsageError
        When a name exists and `force` is off, is a folder, or is one of the sources.
    """
    folder = Path(folder)
    try:
        if folder.exists() and not folder.is_dir():
            raise AudioFileError(f"{shown(folder)} is a file; name a folder for the results.")
        kept = identities(sources)
        for name in names:
            refuse_overwrite(folder / name, force, kept)
        there = next(one for one in (folder, *folder.absolute().parents) if one.exists())
        # Writing is the only test that also holds on network drives and read-only mounts.
        with _temporary_beside(there / "any") as probe:
            probe.touch(exist_ok=False)
    except OSError as error:
        raise unwritable(folder, error) from error


def write_wav(
    path: str | Path,
    sound: Samples | Iterable[Samples],
    rate_hz: int,
    seed: int | np.random.Generator,
    force: bool = False,
    sources: Iterable[Path] = (),
    bits: int = 24,
    container: str = "WAV",
    tags: Mapping[str, str] = MappingProxyType({}),
) -> None:
    """Write a fixed-point WAV or FLAC with triangular dither; the file appears complete or not at all.

    Parameters
    ----------
    path
        File to write; its folder is created when missing.
    sound
        Shape (frames, channels), or blocks of that shape one after the other, so that hours of sound need no
        memory; full scale +-1.0; overs are clamped to full scale, never wrapped.
    rate_hz
        Sample rate.
    seed
        Seed of the dither: the same samples and seed give the same bytes, however they are cut into blocks. A
        generator goes on from where an earlier file has left it, so that files in a row are the cut of one.
    force
        Whether an existing file may be replaced.
    sources
        Input files, which are never replaced, whatever `force` says.
    bits
        Word length, 16 or 24.
    container
        `WAV` or `FLAC`.
    tags
        Texts by name, see `audio.tags`.

    Raises
    ------
    AudioFileError
        When the file cannot be written, would pass the 4 GB of a WAV, or the samples are not all finite.
    UsageError
        When the file exists and `force` is off, or is one of the sources.
    """
    path = Path(path)
    if isinstance(sound, np.ndarray):
        refuse_size(path, sound.size, bits)
        sound = np.split(sound, range(_BLOCK_FRAMES, len(sound), _BLOCK_FRAMES))
    blocks = iter(sound)
    first = next(blocks, None)
    if first is None:
        raise AudioFileError(f"{shown(path)} would hold no sound: the stream is empty. Give it one block or more.")
    generator = np.random.default_rng(seed)

    def write(temporary: Path) -> None:
        written = 0
        with soundfile.SoundFile(
            for_soundfile(temporary),
            "w",
            samplerate=rate_hz,
            channels=first.shape[1],
            format=container,
            subtype=f"PCM_{bits}",
        ) as file:
            put_tags(file, tags)
            for block in itertools.chain([first], blocks):
                _refuse_not_finite(path, block, written, rate_hz)
                refuse_size(path, (written + len(block)) * first.shape[1], bits)
                # libsndfile keeps the upper bits of 32, so the words move up.
                write_samples(file, quantise(block, bits, generator) << (32 - bits), path)
                written += len(block)

    replace_file(path, write, force, sources)


def write_samples(file: Any, samples: npt.NDArray[Any], path: Path) -> None:
    """Write samples to an open soundfile; AudioFileError for `path` where the disk took less."""
    try:
        file.write(samples)
    except AssertionError as error:  # soundfile asserts that every frame was taken; a full disk breaks that
        raise unwritable(path, error) from error


def refuse_size(path: Path, samples: int, bits: int) -> None:
    """AudioFileError where so many samples, of all channels together, are more than a WAV can hold."""
    size = samples * bits // 8
    if size > _LARGEST_WAV_BYTES:
        raise AudioFileError(
            f"{shown(path)} would hold {size / 1e9:.1f} GB; a WAV ends at 4.3 GB. Split the material."
        )


def _refuse_not_finite(path: Path, block: Samples, begin: int, rate_hz: int) -> None:
    bad = first_not_finite(block)
    if bad is not None:
        raise AudioFileError(
            f"{shown(path)} was not written: the sample at {clock((begin + bad) / rate_hz)} is NaN or infinite; "
            "check the settings and render again."
        )


def write_text(path: str | Path, text: str, force: bool = False, sources: Iterable[Path] = ()) -> None:
    """Write a text file in UTF-8 with the same guarantees and errors as `write_wav`."""

    def write(temporary: Path) -> None:
        # A file name with undecodable bytes carries surrogates into a sheet; better escaped than not written.
        temporary.write_bytes(text.encode("utf-8", errors="backslashreplace"))

    replace_file(Path(path), write, force, sources)


def replace_file(path: Path, write: Callable[[Path], Any], force: bool, sources: Iterable[Path]) -> None:
    """Let `write` fill a temporary file beside `path`, then move it there in one step."""
    kept = identities(sources)
    try:
        refuse_overwrite(path, force, kept)
        path.parent.mkdir(parents=True, exist_ok=True)
        with _temporary_beside(path) as temporary:
            write(temporary)
            with temporary.open("rb+") as stream:
                os.fsync(stream.fileno())  # the data reach the disk before the name does
            refuse_overwrite(path, force, kept)  # someone else may have written it meanwhile
            temporary.replace(path)
    except (OSError, soundfile.SoundFileError) as error:
        raise unwritable(path, error) from error


# What to do about a reason, where the system names one that is clear.
_TO_DO = {
    errno.ENAMETOOLONG: "give the mix a shorter name or choose a folder with a shorter path.",
    errno.ENOSPC: "make space or choose another folder.",
    errno.EFBIG: "make space or choose another folder.",
    errno.EROFS: "choose a folder that can be written.",
}
if hasattr(errno, "EDQUOT"):
    _TO_DO[errno.EDQUOT] = _TO_DO[errno.ENOSPC]
_SYSTEM_ERROR = 2  # libsndfile's, which says no more; writing fails so where a disk is full


def unwritable(path: Path, error: Exception) -> AudioFileError:
    """Say in one line why a file or folder cannot be written, and what to do."""
    reason = getattr(error, "strerror", None) or getattr(error, "error_string", None)
    to_do = _TO_DO.get(getattr(error, "errno", None) or 0)
    if reason is None or getattr(error, "code", None) == _SYSTEM_ERROR:
        reason, to_do = "the system took no more of it: is the disk full?", _TO_DO[errno.ENOSPC]
    to_do = to_do or "check the space and the permissions or choose another folder."
    return AudioFileError(f"{shown(path)} cannot be written ({' '.join(str(reason).split()).rstrip('.')}); {to_do}")


@contextmanager
def _temporary_beside(path: Path) -> Iterator[Path]:
    """Name of a new file in the same folder (a move within a folder is atomic), gone after an error."""
    temporary = path.parent / f".autochain-{secrets.token_hex(6)}.part"
    try:
        yield temporary
    finally:
        temporary.unlink(missing_ok=True)


# What tells whether two names are one file: it also sees through links and through names that differ only in case.
_Identity = tuple[int, int]


def _identity(path: Path) -> _Identity | None:
    try:
        seen = path.stat()
    except OSError:
        return None
    return seen.st_dev, seen.st_ino


def identities(paths: Iterable[Path]) -> frozenset[_Identity | None]:
    """Identities of files that exist; taken once, as an album has thousands of sources."""
    return frozenset(map(_identity, paths)) - {None}


def refuse_overwrite(path: Path, force: bool, sources: frozenset[_Identity | None]) -> None:
    """UsageError where a file may not be written: a folder, one of the sources, or there already without `force`."""
    where = shown(path)
    if path.is_dir():
        raise UsageError(f"{where} is a folder; remove it or choose another name or folder.")
    if not path.exists():
        return
    if _identity(path) in sources:
        raise UsageError(f"{where} is the source file and is never overwritten; choose another folder.")
    if not force:
        raise UsageError(f"{where} exists already; use --force to replace it or choose another folder.")
