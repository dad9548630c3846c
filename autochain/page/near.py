"""Numbers behind the pictures of findings: what the sound does around a place, and the parts of its spectrum."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from autochain.audio.mix import Samples
from autochain.measure.spectrum import Spectrum
from autochain.measure.stream import Pieces

_Doubles = npt.NDArray[np.float64]
Lane = tuple[str, Sequence[float]]  # name of a channel, and its values

_COLUMNS = 300  # of a picture: where more frames are shown, each column has its two extremes
_HUMP_COLUMNS = 120
_WIDEST_OCTAVES, _NARROWEST_OCTAVES = 1.0, 1.0 / 3.0  # to each side of a hump
_BANDWIDTHS = 4.0
_LOW_LINES_HZ, _HIGH_LINES_HZ = 20, 400
_QUIET_SHARE = 0.25
_LEAST = 1e-6  # -120 dB


def lanes_of(samples: Samples, channels: str) -> list[tuple[str, _Doubles]]:
    """Channels that a finding is in, by name, each of shape (frames,): `both`, `left`, `right`, `mid` or `side`."""
    sound = samples.astype(np.float64)
    if sound.shape[1] == 1:
        return [("", sound[:, 0])]
    left, right = sound.T
    every = {"left": left, "right": right, "mid": (left + right) / 2.0, "side": (left - right) / 2.0}
    return [(channels, every[channels])] if channels in every else [("left", left), ("right", right)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Waveform:
    """Values of each channel over time.

    Attributes
    ----------
    start_ms, stop_ms
        From when to when, from the place on.
    lanes
        Name, times in ms from the place on, and values, full scale 1.0.
    single
        Whether all samples are there; otherwise they are the extremes of short stretches.
    """

    start_ms: float
    stop_ms: float
    lanes: tuple[tuple[str, Sequence[float], Sequence[float]], ...]
    single: bool


def waveform_near(samples: Samples, rate_hz: int, place: int, channels: str) -> Waveform:
    """`Waveform` of a cut, shape (frames, channels), 1 frame or more; `place` is the frame that counts as 0 ms."""
    lanes, frames = [], samples.shape[0]
    for name, values in lanes_of(samples, channels):
        at = np.arange(frames) if frames <= _COLUMNS else _extremes(values)
        lanes.append((name, (1e3 * (at - place) / rate_hz).tolist(), values[at].tolist()))
    ends = (1e3 * -place / rate_hz, 1e3 * (frames - 1 - place) / rate_hz)
    return Waveform(start_ms=ends[0], stop_ms=ends[1], lanes=tuple(lanes), single=frames <= _COLUMNS)


def _extremes(values: _Doubles) -> npt.NDArray[np.int64]:
    """Where the lowest and the highest value of every column lie, in order of time."""
    edges = np.linspace(0, values.size, _COLUMNS + 1).astype(np.int64)
    columns = [(a, values[a:b]) for a, b in pairwise(edges)]
    return np.unique([a + int(find(part)) for a, part in columns for find in (np.argmin, np.argmax)])


def flat_at(samples: Samples, place: int) -> int:
    """Middle of the first stretch from `place` on that stays at the cut's largest magnitude, as a frame of the cut."""
    size = np.abs(samples.astype(np.float64)).max(axis=1)
    top = size >= 0.9999 * size[place:].max(initial=0.0)
    first = place + int(np.argmax(top[place:]))
    length = int(np.argmin(np.append(top[first:], False)))
    return first + length // 2


def hole_end(samples: Samples, rate_hz: int, place: int, channels: str) -> int:
    """Frame of a cut at which the sound is back after a hole that begins at `place`; its end where it is not."""
    values = np.max([np.abs(lane) for _, lane in lanes_of(samples, channels)], axis=0)
    before = float(values[max(0, place - rate_hz // 50) : place].max(initial=0.0))
    begin = place + rate_hz // 500
    back = np.flatnonzero(values[begin:] > 0.1 * before)
    return int(begin + back[0]) if back.size else samples.shape[0]


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelOverTime:
    """Level of each channel over time: times in s from the place on, and rms in dB, a full-scale square being 0."""

    at_s: Sequence[float]
    lanes: tuple[Lane, ...]


def level_near(samples: Samples, rate_hz: int, place: int, window_s: float) -> LevelOverTime:
    """`LevelOverTime` of a cut, shape (frames, channels), window by window, which meet at `place`."""
    size = max(1, round(window_s * rate_hz))
    first = place % size
    count = (samples.shape[0] - first) // size
    at_s = (first + size * (np.arange(count) + 0.5) - place) / rate_hz
    lanes = []
    for name, values in lanes_of(samples, "both"):
        rows = values[first : first + count * size].reshape(count, size)
        rms = np.sqrt(np.mean(rows**2, axis=1))
        lanes.append((name, (20.0 * np.log10(np.maximum(rms, _LEAST))).tolist()))
    return LevelOverTime(at_s=at_s.tolist(), lanes=tuple(lanes))


@dataclass(frozen=True, slots=True, kw_only=True)
class Hump:
    """A stretch of an averaged spectrum.

    Attributes
    ----------
    freq_hz
        Frequencies, rising in equal steps of an octave's part.
    fine_db
        Level in dB of what the straight line has at the middle.
    level_db
        The same, smoothed over half the width of the bell.
    beside_db
        The straight line through what lies beside the middle, in the same dB: 0 at the middle.
    """

    freq_hz: Sequence[float]
    fine_db: Sequence[float]
    level_db: Sequence[float]
    beside_db: Sequence[float]


def hump_of(spectrum: Spectrum, channels: str, freq_hz: float, q: float | None) -> Hump | None:
    """`Hump` a third to one octave to each side of a frequency, by the width of a bell of that q; None for silence."""
    octaves = math.asinh(0.5 / q) * 2.0 / math.log(2.0) if q else _WIDEST_OCTAVES / _BANDWIDTHS
    reach = min(_WIDEST_OCTAVES, max(_NARROWEST_OCTAVES, _BANDWIDTHS * octaves))
    # To half the rate, and never narrower than three bins.
    low, high = freq_hz * 2.0**-reach, min(freq_hz * 2.0**reach, 0.5 * spectrum.rate_hz)
    columns = min(_HUMP_COLUMNS, max(8, int((high - low) / spectrum.bin_hz)))
    edges = np.geomspace(low, high, columns + 1)
    power = _power(spectrum, channels)
    # Bin k stands for k - 1/2 to k + 1/2.
    below = np.concatenate([[0.0], power.cumsum()])
    summed = np.interp(edges / spectrum.bin_hz + 0.5, np.arange(below.size), below)
    density = np.diff(summed) / np.diff(edges)
    if density.max(initial=0.0) <= 0.0:
        return None
    least = density.max() * 1e-12
    middle = np.sqrt(edges[:-1] * edges[1:])
    away = np.log2(middle / freq_hz)
    near = np.abs(away[:, None] - away) <= 0.25 * octaves
    fine, level = (10.0 * np.log10(np.maximum(p, least)) for p in (density, near @ density / near.sum(axis=1)))
    beside = np.abs(away) > min(octaves, 0.5 * reach)
    slope, there = np.polyfit(away[beside], level[beside], 1)
    return Hump(
        freq_hz=middle.tolist(),
        fine_db=(fine - there).tolist(),
        level_db=(level - there).tolist(),
        beside_db=(slope * away).tolist(),
    )


def mean_spectrum(spectra: Sequence[Spectrum]) -> Spectrum:
    """Mean of the spectra of sounds of one length."""
    first = spectra[0]
    return Spectrum(
        rate_hz=first.rate_hz,
        channels=first.channels,
        mid=np.mean([one.mid for one in spectra], axis=0),
        side=np.mean([one.side for one in spectra], axis=0),
        product=np.mean([one.product for one in spectra], axis=0),
    )


def _power(spectrum: Spectrum, channels: str) -> _Doubles:
    """Power of every bin in the channels of a finding."""
    if spectrum.channels == 1 or channels == "mid":
        return spectrum.mid
    if channels == "side":
        return spectrum.side
    # Mid and side are the sum and the difference of left and right over the root of 2.
    both = spectrum.mid + spectrum.side
    product = {"left": 2.0 * spectrum.product, "right": -2.0 * spectrum.product}.get(channels, both)
    return np.maximum(0.0, 0.5 * (both + product))


class LowLines:
    """Collects the spectrum from 20 to 400 Hz second by second, of which the quiet seconds show what is always there.

    Parameters
    ----------
    rate_hz
        Sample rate.
    channels
        1 or 2.
    """

    def __init__(self, rate_hz: int, channels: int) -> None:
        half = rate_hz // 2
        self._pieces = Pieces(channels, 0, half, half)
        window = np.hanning(2 * half + 1)[:-1]
        self._window = (2.0 / window.sum() * window)[:, None]
        self._bin_hz = rate_hz / (2.0 * half)
        first, last = (round(hz / self._bin_hz) for hz in (_LOW_LINES_HZ, _HIGH_LINES_HZ))
        self._bins = slice(first, last + 1)
        self._kept: list[_Doubles] = []

    def push(self, block: Samples) -> None:
        """Take the next frames, shape (frames, channels)."""
        for piece in self._pieces.push(block):
            self._kept.append(np.abs(np.fft.rfft(self._window * piece, axis=0)[self._bins]))

    def result(self, channels: str) -> tuple[list[float], list[float]]:
        """Frequencies in Hz, and the amplitude a quarter of the seconds stay under, dB, a full-scale sine being 0.

        Of a finding in both channels the higher of the two. Empty without a whole second.
        """
        if not self._kept:
            return [], []
        quiet = np.quantile(np.stack(self._kept), _QUIET_SHARE, axis=0)
        which = {"left": 0, "right": -1}.get(channels)
        level = quiet.max(axis=1) if which is None else quiet[:, which]
        freq_hz = self._bin_hz * np.arange(self._bins.start, self._bins.stop)
        return freq_hz.tolist(), (20.0 * np.log10(np.maximum(level, _LEAST))).tolist()


@dataclass(frozen=True, slots=True, kw_only=True)
class WaveformExtremes:
    """Extremes of the waveform in equal parts of the song."""

    highest: Sequence[float]
    lowest: Sequence[float]


class OutlineMeter:
    """Collects the `WaveformExtremes` of a stream whose length is known.

    Parameters
    ----------
    frames
        Length of the stream, 1 or more.
    columns
        Parts; fewer where there are fewer frames.
    """

    def __init__(self, frames: int, columns: int) -> None:
        self._frames, self._columns = frames, min(columns, frames)
        self._high, self._low = np.zeros(self._columns), np.zeros(self._columns)
        self._at = 0

    def push(self, block: Samples) -> None:
        """Take the next frames, shape (frames, channels)."""
        column = (self._at + np.arange(block.shape[0])) * self._columns // self._frames
        column = np.minimum(column, self._columns - 1)
        inside = np.flatnonzero(np.diff(column, prepend=-1))
        if not inside.size:
            return
        for channel in block.T:
            high, low = np.maximum.reduceat(channel, inside), np.minimum.reduceat(channel, inside)
            self._high[column[inside]] = np.maximum(self._high[column[inside]], high)
            self._low[column[inside]] = np.minimum(self._low[column[inside]], low)
        self._at += block.shape[0]

    def result(self) -> WaveformExtremes:
        """Extremes so far."""
        return WaveformExtremes(highest=self._high.tolist(), lowest=self._low.tolist())


class Cuts:
    """Keeps stretches of a stream.

    Parameters
    ----------
    spans
        First frame and the one behind the last of each; what lies outside the stream is missing from it.
    """

    def __init__(self, spans: Iterable[tuple[int, int]]) -> None:
        self._kept: dict[tuple[int, int], list[Samples]] = {span: [] for span in spans}
        self._at = 0

    def push(self, block: Samples) -> None:
        """Take the next frames, shape (frames, channels)."""
        stop = self._at + block.shape[0]
        for (first, last), parts in self._kept.items():
            if first < stop and last > self._at:
                parts.append(block[max(0, first - self._at) : last - self._at].copy())
        self._at = stop

    def result(self, span: tuple[int, int]) -> Samples:
        """One stretch, shape (frames, channels); (0, 1) where the stream has nothing of it."""
        parts = self._kept[span]
        return np.concatenate(parts) if parts else np.zeros((0, 1), np.float32)
