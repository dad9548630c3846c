"""Room for a sound: in memory, or on disk where it is so long that memory is for other things.

What lies on disk is a file without a name, mapped into memory: an array like any other, in and out of which the system
carries pages as they are used. The file goes with the array, and with the process however that ends. What lies there
is looked through from one end to the other again and again, so that nothing is won by keeping pages. A thread gives
them back every few hundred megabytes; nothing that is read or written changes by it.
"""

import math
import mmap
import os
import shutil
import tempfile
import threading
import time
import weakref
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from autochain.audio.mix import Samples
from autochain.errors import AudioFileError

# 12 minutes of stereo at 44.1 kHz in float32. A limit of this project: a song is left in memory as long as what a
# search holds of it stays under 1.5 GB.
MOST_IN_MEMORY_BYTES = 256_000_000
CACHE_FRAMES = 65536
_MOST_PAGES_BYTES = 64_000_000
# Looked at this often; the shorter time where many pages have come since: a sum of a song reads gigabytes a second.
_LOOK_EVERY_S, _SOON_S, _MANY_BYTES = 0.02, 0.002, 8_000_000
_STATE = Path("/proc/self/statm")  # proc(5): the third number counts resident pages of files


def on_disk(size_bytes: int) -> bool:
    """Whether a sound of that size has its room on disk."""
    return size_bytes > MOST_IN_MEMORY_BYTES


def room_for(shape: tuple[int, ...], dtype: npt.DTypeLike = np.float32) -> npt.NDArray[Any]:
    """An array to be filled; what is in it at first is not said.

    Raises
    ------
    AudioFileError
        The disk has no room for it.
    """
    size = math.prod(shape) * np.dtype(dtype).itemsize
    if not on_disk(size):
        return np.empty(shape, dtype)
    folder = scratch_folder()
    try:
        with tempfile.TemporaryFile(dir=folder) as file:
            _reserve(file.fileno(), size)
            mapped = mmap.mmap(file.fileno(), size)
    except OSError as error:
        raise _no_room(size) from error
    _KEEPER.look_after(mapped)
    return np.frombuffer(mapped, dtype).reshape(shape)


def gathered(pieces: Iterable[Samples], shape: tuple[int, ...], dtype: npt.DTypeLike) -> Samples:
    """Pieces of a sound, no more than `shape` holds, one behind the other: as long as they are together."""
    whole, done = room_for(shape, dtype), 0
    for piece in pieces:
        whole[done : done + len(piece)] = piece
        done += len(piece)
        pages_back()
    return whole[:done]


def in_blocks(samples: Samples, frames: int = CACHE_FRAMES) -> Iterator[Samples]:
    """Parts of a sound that stay in the cache while something is done with them; what lies on disk goes behind them."""
    for start in range(0, len(samples), frames):
        yield samples[start : start + frames]
        pages_back()


def pages_back() -> None:
    """Give pages back now, where some lie on disk and too many have come; for whoever goes through a song fast."""
    _KEEPER.look()


def scratch_folder() -> Path:
    """Where long sounds lie: as TMPDIR says, else where a system has its larger temporary files on disk."""
    usual = Path("/var/tmp")  # Filesystem Hierarchy Standard 3.0, 5.15; on some systems /tmp is in memory
    asked = any(os.environ.get(name) for name in ("TMPDIR", "TEMP", "TMP"))
    return usual if not asked and os.access(usual, os.W_OK) else Path(tempfile.gettempdir())


def refuse_full_disk(needed_bytes: int) -> None:
    """AudioFileError where long sounds that are so large together would have no room; asked before hours of work."""
    if shutil.disk_usage(scratch_folder()).free < needed_bytes:
        raise _no_room(needed_bytes)


def _no_room(needed_bytes: int) -> AudioFileError:
    folder = scratch_folder()
    return AudioFileError(
        f"{folder} has {shutil.disk_usage(folder).free / 1e9:.1f} GB free, and a song so long needs "
        f"{needed_bytes / 1e9:.1f} GB there while it is worked on. Make space, or name a folder on another disk in "
        "TMPDIR."
    )


def _reserve(file: int, size: int) -> None:
    """Take the room now: writing to a page that the disk has none for would end the process."""
    if hasattr(os, "posix_fallocate"):
        os.posix_fallocate(file, 0, size)
        return
    nothing = bytes(1 << 20)
    for start in range(0, size, len(nothing)):
        os.write(file, nothing[: size - start])


class _Keeper:
    """Gives back pages of what lies on disk: when asked to look, and from a thread as long as anything lies there."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._mapped: weakref.WeakSet[mmap.mmap] = weakref.WeakSet()
        self._can = hasattr(mmap, "MADV_DONTNEED") and _STATE.exists()  # else the system does what it likes
        self._runs = False
        self._least = self._was = 0

    def look_after(self, mapped: mmap.mmap) -> None:
        with self._lock:
            self._mapped.add(mapped)
            if self._can and not self._runs:
                self._runs = True
                self._least = self._was = _resident_bytes()
                threading.Thread(target=self._run, daemon=True).start()

    def look(self) -> bool:
        """Give pages back where they are too many; whether many have come since the last look."""
        if not self._runs:
            return False
        with self._lock:
            resident = _resident_bytes()
            many, self._least = resident > self._was + _MANY_BYTES, min(self._least, resident)
            if resident > self._least + _MOST_PAGES_BYTES:
                for mapped in list(self._mapped):
                    mapped.madvise(mmap.MADV_DONTNEED)  # the file keeps what was written
                self._least = resident = _resident_bytes()
            self._was = resident
            return many

    def _run(self) -> None:
        while self._goes_on():
            time.sleep(_SOON_S if self.look() else _LOOK_EVERY_S)

    def _goes_on(self) -> bool:
        with self._lock:
            self._runs = bool(self._mapped)
            return self._runs


def _resident_bytes() -> int:
    """Resident pages of files."""
    return int(_STATE.read_bytes().split()[2]) * mmap.PAGESIZE


_KEEPER = _Keeper()
