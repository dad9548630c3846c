"""Versions to listen to: rendered when they are asked for, from any place at once, and kept on disk.

A version is rendered from its beginning to its end while it is listened to, into a file without a name, which goes
with the process. What is rendered is read from there, to the bit what `render` makes. What is not yet is rendered
where it is asked for, with two seconds in front.
"""

import math
import os
import tempfile
import threading
import weakref
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

import numpy as np

from autochain.audio.mix import Mix, Samples
from autochain.audio.room import CACHE_FRAMES
from autochain.chain.chain import ChainPlan
from autochain.chain.envelopes import group_frames
from autochain.chain.output import with_ends
from autochain.chain.settings import OUTPUT, ChainSettings
from autochain.desk.place import PREROLL_S

MOST_BYTES = 1_000_000_000
_BLOCK_FRAMES = 1 << 14  # a third of a second: what is rendered beyond what was asked for
_LONGEST_HOLD_S = 2.0


class Passing:
    """A chain at work from a frame of a song on; what it gives follows to the sample on what it gave before.

    Parameters
    ----------
    mix, chain, settings
        The song, the stages in order, complete settings of those that are in.
    first
        Frame that is given first. From 0 on the samples are those of `ChainPlan.render`.
    """

    def __init__(self, mix: Mix, chain: ChainPlan, settings: ChainSettings, first: int) -> None:
        rate_hz, self._mix, self._output = mix.rate_hz, mix, settings.of(OUTPUT)
        behind = {n: own for n, own in settings.without(OUTPUT).items() if n in chain.stages}
        reach = sum(chain.stages[n].latency_samples(rate_hz, own) for n, own in behind.items())
        grid = math.lcm(round(rate_hz / 100), group_frames(rate_hz))  # on which stages count their steps
        self._begin = max(0, first - round(PREROLL_S * rate_hz) - reach) // grid * grid
        self._running = chain.stream(rate_hz, mix.channels, settings.without(OUTPUT))
        self._skip, self._in, self._ended = first - self._begin, self._begin, False
        self._pieces: list[Samples] = []
        self.at = first

    def take(self, frames: int) -> Samples:
        """Give the next frames, fewer at the end of the song; float32, shape (frames, channels)."""
        samples = self._mix.samples
        while not self._ended and sum(map(len, self._pieces)) < frames:
            if self._in < len(samples):
                piece = self._running.push(samples[self._in : self._in + _BLOCK_FRAMES])
                self._in += _BLOCK_FRAMES
            else:
                piece, self._ended = self._running.finish(), True
            piece, self._skip = piece[self._skip :], max(0, self._skip - len(piece))
            if len(piece):
                self._pieces.append(piece)
        whole = np.concatenate([samples[:0], *self._pieces])
        given = whole[:frames]
        self._pieces = [whole[frames:].copy()]
        if self._output:
            given = with_ends(given, self.at, len(samples), self._mix.rate_hz, self._output)
        self.at += len(given)
        return given


class Stored:
    """Sound on disk, written from its beginning on while others read; gone with the process.

    Raises OSError where the disk is full.
    """

    def __init__(self, frames: int, channels: int) -> None:
        self._frames, self._channels = frames, channels
        self._file = tempfile.TemporaryFile(prefix="autochain-")  # noqa: SIM115 - open as long as somebody reads it
        weakref.finalize(self, self._file.close)
        self.done = 0

    @property
    def complete(self) -> bool:
        """Whether all of it is there."""
        return self.done >= self._frames

    @property
    def most_bytes(self) -> int:
        """Size of the whole."""
        return 4 * self._frames * self._channels

    def append(self, piece: Samples) -> None:
        """Write the next frames."""
        data, at = np.ascontiguousarray(piece, dtype=np.float32).tobytes(), 4 * self.done * self._channels
        while data:
            count = os.pwrite(self._file.fileno(), data, at)
            data, at = data[count:], at + count
        self.done += len(piece)

    def read(self, first: int, frames: int) -> Samples:
        """Frames that are there."""
        size = 4 * self._channels
        data = os.pread(self._file.fileno(), frames * size, first * size)
        return np.frombuffer(data, dtype=np.float32).reshape(-1, self._channels)


@dataclass(slots=True, eq=False)
class _Render:
    """One version: what is on disk of it, what renders it from its beginning, and what renders elsewhere."""

    chain: ChainPlan
    settings: ChainSettings
    stored: Stored | None
    filling: Passing | None
    elsewhere: Passing | None
    used: int
    lock: threading.Lock


class Renders:
    """The renders of one song; calls from any thread.

    Parameters
    ----------
    mix
        The song.
    most_bytes
        What all of them may have on disk; the least used ones go.
    """

    def __init__(self, mix: Mix, most_bytes: int = MOST_BYTES) -> None:
        self._mix, self._most_bytes = mix, most_bytes
        self._lock = threading.Condition()
        self._known: dict[tuple[tuple[str, ...], ChainSettings], _Render] = {}
        self._uses, self._held, self._ended = 0, 0, False
        self._thread = threading.Thread(target=self._fill, name="renders", daemon=True)
        self._thread.start()

    def read(self, chain: ChainPlan, settings: ChainSettings, first: int, frames: int) -> Samples:
        """Frames of a version, fewer at the end of the song."""
        one = self._of(chain, settings)
        frames = max(0, min(frames, len(self._mix.samples) - first))
        stored = one.stored
        if stored is not None and first + frames <= stored.done:
            one.elsewhere = None
            return stored.read(first, frames)
        with one.lock:
            if one.elsewhere is None or one.elsewhere.at != first:
                one.elsewhere = Passing(self._mix, chain, settings, first)
            return one.elsewhere.take(frames)

    def put(self, chain: ChainPlan, settings: ChainSettings, stored: Stored) -> None:
        """Take a render that was made whole elsewhere."""
        one = self._of(chain, settings, begin=False)
        with self._lock:
            one.stored, one.filling, one.elsewhere = stored, None, None

    @contextmanager
    def held(self) -> Iterator[None]:
        """Let no render go on beside what is done in here."""
        with self._lock:
            self._held += 1
        try:
            yield
        finally:
            with self._lock:
                self._held -= 1
                self._lock.notify_all()

    def close(self) -> None:
        """End; nothing is left of the files."""
        with self._lock:
            self._ended = True
            self._known.clear()
            self._lock.notify_all()

    def _of(self, chain: ChainPlan, settings: ChainSettings, *, begin: bool = True) -> _Render:
        """The render of these settings, begun where it is not known yet."""
        with self._lock:
            self._uses += 1
            one = self._known.get(_key(chain, settings))
            if one is None:
                filling = Passing(self._mix, chain, settings, 0) if begin else None
                one = _Render(chain, settings, None, filling, None, self._uses, threading.Lock())
                self._known[_key(chain, settings)] = one
                self._make_room(one)
                self._lock.notify_all()
            one.used = self._uses
            return one

    def _make_room(self, but: _Render) -> None:
        """Let the least used go until what is left, and one more, fits."""
        size = 4 * self._mix.samples.size
        by_use = sorted(self._known.items(), key=lambda item: item[1].used)
        while len(by_use) > 1 and len(by_use) * size > self._most_bytes:
            key, one = by_use.pop(0)
            if one is not but:
                del self._known[key]

    def _next(self) -> _Render | None:
        waiting = [one for one in self._known.values() if one.filling is not None]
        return max(waiting, key=lambda one: one.used, default=None)

    def _fill(self) -> None:
        """Render what was asked for last to its end, a block at a time."""
        while True:
            with self._lock:
                self._lock.wait_for(lambda: self._ended or self._next() is not None)
                self._lock.wait_for(lambda: self._ended or not self._held, _LONGEST_HOLD_S)
                one = self._next()
                if self._ended:
                    return
            if one is not None and one.filling is not None:
                self._fill_a_block(one, one.filling)

    def _fill_a_block(self, one: _Render, filling: Passing) -> None:
        stored = one.stored
        try:
            if stored is None:
                stored = Stored(len(self._mix.samples), self._mix.channels)
            stored.append(filling.take(CACHE_FRAMES))
        except OSError:  # no room on disk: it is rendered where it is asked for, again and again
            stored = None
        with self._lock:
            if one.filling is filling:  # nobody has put the whole in its place
                one.stored = stored
                if stored is None or stored.complete:
                    one.filling = None


def _key(chain: ChainPlan, settings: ChainSettings) -> tuple[tuple[str, ...], ChainSettings]:
    return tuple(chain.stages), settings
