"""Mains hum: lines at 50 or 60 Hz and their multiples that stand still, in phase, through the whole mix.

Notes come and go, and no note of the equal-tempered scale at 440 Hz lies within 0.7 Hz of a multiple of 50 or 60 Hz
up to 400 Hz (closed form: the nearest is F4, 0.77 Hz beside 350 Hz). A hum also keeps its phase, which music does not
even on the same frequency. So over parts of 24 s the amplitude of every 1 s at a line, turned back by its phase, is
taken as a complex number; the **median** of these numbers is what stays when the music, louder by far, comes and goes.
A line counts whose median lies above that of every frequency 1 to 5 Hz beside it. The mains frequency itself wanders
by some hundredths of a hertz (from memory): a few turns around the nominal one are tried, as many beside the line.
"""

from dataclasses import dataclass
from functools import cache, lru_cache

import numpy as np
import numpy.typing as npt

from autochain.audio.mix import Samples
from autochain.measure._decimation_kernels import decimate
from autochain.measure.stream import Pieces
from autochain.units import linear_to_db

_FAMILIES_HZ = (50.0, 60.0)
_Lines = dict[float, tuple[float, float, float]]
_Doubles = npt.NDArray[np.float64]
_Singles = npt.NDArray[np.float32]
_Complexes = npt.NDArray[np.complex128]
_Amplitudes = npt.NDArray[np.complex64]

_LOW_RATE_HZ = 2000  # about: a whole number of frames is taken for one
_TAPS_PER_STEP = 12
_FRAMES_AT_ONCE = 2048
_WINDOW_S, _HOPS_PER_WINDOW = 1.0, 4
_PART_S = 24.0
_WINDOWS_AT_ONCE = 2048
_LEAST_WINDOWS = 13  # 4 s
_HIGHEST_HZ = 420.0
_BESIDE_HZ = np.concatenate([-np.arange(1.0, 5.1, 0.5), np.arange(1.0, 5.1, 0.5)])
_WANDER_HZ, _MOST_WANDER_HZ, _TURN_HZ = 0.05, 0.2, 0.03  # of the mains, each multiple that much more; steps
# Two lines over the first limit, or one over the second, make a hum. Of 120 families in 30 s of the demo's mixes
# without any, seeds 1 to 12, the second highest line reaches 0.4 dB, the highest 8.1.
_LINE_DB, _ALONE_DB = 1.5, 10.0
_FEWEST_LINES = 2
_ONE_SIDED_DB = 10.0
_SILENCE = 1e-7  # -140 dBFS


@dataclass(frozen=True, slots=True, kw_only=True)
class Hum:
    """A family of lines.

    Attributes
    ----------
    mains_hz
        50 or 60.
    lines_hz
        The multiples that were found, lowest first.
    line_dbfs
        Level of each of them, in the channel that has more of it.
    level_dbfs
        Level of all of them together in the channel that has more, the rms of a full-scale sine in it being 0 dBFS
        (AES17, from memory).
    channels
        `left`, `right` or `both` (`left` for one channel): a channel with 10 dB less than the other has none.
    swing_db
        How far the strongest line's level moves between parts of 24 s; 0 in less than two of them.
    """

    mains_hz: float
    lines_hz: tuple[float, ...]
    line_dbfs: tuple[float, ...]
    level_dbfs: float
    channels: str
    swing_db: float


class HumMeter:
    """Keeps a stream at a low rate, about 8 kB per channel and second, and finds `Hum` in it.

    Parameters
    ----------
    rate_hz
        44100 to 192000.
    channels
        1 or 2.
    """

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._step = rate_hz // _LOW_RATE_HZ
        self._rate_hz, self._channels = rate_hz / self._step, channels
        half = _TAPS_PER_STEP * self._step // 2
        # A sinc under a Hamming window. No scipy.signal here: it takes longer to load than a mix to look through.
        taps = np.sinc(0.35 / self._step * np.arange(-half, half + 1)) * np.hamming(2 * half + 1)
        self._taps = taps / taps.sum()
        self._pieces = Pieces(channels, half, self._step * _FRAMES_AT_ONCE, half)
        self._half = half
        self._low: list[list[npt.NDArray[np.float64]]] = [[] for _ in range(channels)]

    def push(self, block: Samples) -> None:
        """Take the next frames, shape (frames, channels)."""
        for piece in self._pieces.push(block):
            for low, thin in zip(self._low, self._decimated(piece), strict=True):
                low.append(thin)

    def result(self) -> tuple[Hum, ...]:
        """Families found in everything pushed so far, the stronger one first; empty without 4 s of sound."""
        last = [(self._decimated(piece), max(0, end - self._half) // self._step) for piece, end in self._pieces.rest()]
        lines = []
        for channel, low in enumerate(self._low):  # one at a time, and in place of its pieces: hours are large
            rest = [thin[channel][:count] for thin, count in last]
            joined = np.concatenate([np.empty(0), *low, *rest])
            low[:] = [joined[: joined.size - sum(map(len, rest))]]
            lines.append(self._lines(joined))
        found = [hum for mains_hz in _FAMILIES_HZ if (hum := _family(mains_hz, lines)) is not None]
        return tuple(sorted(found, key=lambda hum: -hum.level_dbfs))

    def _decimated(self, piece: Samples) -> list[npt.NDArray[np.float64]]:
        """The channels at the low rate."""
        thinned = [np.empty(_FRAMES_AT_ONCE) for _ in range(self._channels)]
        for channel, thin in enumerate(thinned):
            decimate(np.ascontiguousarray(piece[:, channel]), self._taps, self._step, thin)
        return thinned

    def _lines(self, low: npt.NDArray[np.float64]) -> _Lines:
        """Amplitude, lead and swing in dB of every multiple of 50 and 60 Hz that is always there."""
        size = round(_WINDOW_S * self._rate_hz)
        if low.size < size:
            return {}
        hop = size // _HOPS_PER_WINDOW
        rows = np.lib.stride_tricks.sliding_window_view(low, size)[::hop]
        middle_s = (np.arange(len(rows)) * hop + 0.5 * size) / self._rate_hz
        # A song is done at once. Hours are not: as overlapping windows they take twenty times their own memory.
        cuts = [slice(start, start + _WINDOWS_AT_ONCE) for start in range(0, len(rows), _WINDOWS_AT_ONCE)]
        sounding = np.concatenate([np.sqrt(np.mean(rows[cut] ** 2, axis=1)) > _SILENCE for cut in cuts])
        if np.count_nonzero(sounding) < _LEAST_WINDOWS:
            return {}
        window = np.hanning(size + 1)[:-1]
        window *= 2.0 / window.sum()
        lines_hz, (real, imaginary) = _lines_hz(), _turning(size, self._rate_hz)

        # Into one array: joined from its parts, hours would take as much once more.
        amplitudes: _Amplitudes = np.empty((np.count_nonzero(sounding), _looked_at_hz().size), dtype=np.complex64)
        filled = 0
        for cut in cuts:
            windowed = (rows[cut][sounding[cut]] * window).astype(np.float32)
            turned = amplitudes[filled : filled + len(windowed)]
            turned.real, turned.imag = windowed @ real, windowed @ imaginary
            turned *= _turned_by(middle_s[cut][sounding[cut], None] * _looked_at_hz())
            filled += len(windowed)
        middle_s = middle_s[sounding]
        count = len(middle_s)
        parts = np.array_split(np.arange(count), max(1, round(count * hop / (_PART_S * self._rate_hz))))
        found = {}
        for line_hz, amplitude in zip(lines_hz, np.split(amplitudes, len(lines_hz), axis=1), strict=True):
            wander_hz = min(_MOST_WANDER_HZ, _WANDER_HZ * max(line_hz / f for f in _FAMILIES_HZ if line_hz % f == 0.0))

            def steady(columns: slice, wander_hz: float, amplitude: _Amplitudes = amplitude) -> _Doubles:
                return np.array([_steady(amplitude[part, columns], middle_s[part], wander_hz) for part in parts])

            own = steady(slice(0, 1), wander_hz)[:, 0]
            own_db = _in_db(own)
            # Beside it other turns find more, never less: most lines need no closer look.
            for beside_hz in (0.0, wander_hz):
                lead_db = float((own_db - _in_db(steady(slice(1, None), beside_hz)).max(axis=1)).mean())
                if lead_db < _LINE_DB:
                    break
            else:
                found[line_hz] = (float(own.mean()), lead_db, float(np.ptp(own_db)))
        return found


def _in_db(level: _Doubles) -> _Doubles:
    return np.asarray(20.0 * np.log10(np.maximum(level, _SILENCE)))


@cache
def _lines_hz() -> tuple[float, ...]:
    """Every multiple that is looked for."""
    return tuple(sorted({m * f for f in _FAMILIES_HZ for m in range(1, int(_HIGHEST_HZ / f) + 1)}))


@cache
def _looked_at_hz() -> _Doubles:
    """Each line and what is beside it, one after the other."""
    return np.concatenate([np.append(line_hz, line_hz + _BESIDE_HZ) for line_hz in _lines_hz()])


@lru_cache(maxsize=1)
def _turning(size: int, rate_hz: float) -> tuple[_Singles, _Singles]:
    """Real and imaginary part of what turns every frequency back to rest, shape (frames, frequencies)."""
    at_s = (np.arange(size) - 0.5 * size) / rate_hz
    turning = _turned_by(at_s[:, None] * _looked_at_hz())
    return turning.real.astype(np.float32), turning.imag.astype(np.float32)


def _turned_by(turns: _Doubles) -> _Complexes:
    """Exp of -2 pi j times a number of turns: from sine and cosine, which numpy has four times as fast."""
    turned = np.empty(turns.shape, dtype=np.complex128)
    angle = -2.0 * np.pi * turns
    turned.real, turned.imag = np.cos(angle), np.sin(angle)
    return turned


def _steady(amplitude: _Amplitudes, at_s: _Doubles, wander_hz: float) -> _Doubles:
    """What stays still of the amplitudes at some frequencies, at the best turn around each, shape (frequencies,)."""
    steps, middle = round(wander_hz / _TURN_HZ), len(amplitude) // 2
    turned = amplitude.T[:, None] * _turned_by(_TURN_HZ * np.arange(-steps, steps + 1)[:, None] * at_s)
    # Of an even number the upper of the two middle values; `np.median` takes six times as long.
    re, im = (np.partition(part, middle, axis=2)[..., middle] for part in (turned.real, turned.imag))
    return np.asarray(np.hypot(re, im).max(axis=1))


def _family(mains_hz: float, lines: list[_Lines]) -> Hum | None:
    own = [{f: line for f, line in channel.items() if f % mains_hz == 0.0} for channel in lines]
    other = _FAMILIES_HZ[1 - _FAMILIES_HZ.index(mains_hz)]
    # 300 Hz belongs to both families and says nothing of either.
    counts = [sum(1 for f in found if f % other) for found in own]
    highest = [max((lead for f, (_, lead, _) in found.items() if f % other), default=0.0) for found in own]
    heard = [n >= _FEWEST_LINES or top >= _ALONE_DB for n, top in zip(counts, highest, strict=True)]
    if not any(heard):
        return None
    levels = [float(np.sqrt(sum(level * level for level, _, _ in found.values()))) for found in own]
    there = [level > 10.0 ** (-_ONE_SIDED_DB / 20.0) * max(levels) for level in levels]
    lines_hz = tuple(sorted(set().union(*own)))
    _, swing_db = max((level, swing) for found in own for level, _, swing in found.values())
    highest_of = [max(found[f][0] for found in own if f in found) for f in lines_hz]
    return Hum(
        mains_hz=mains_hz,
        lines_hz=lines_hz,
        line_dbfs=tuple(linear_to_db(level) for level in highest_of),
        level_dbfs=linear_to_db(max(levels)),
        channels="both" if len(there) > 1 and all(there) else "left" if there[0] else "right",
        swing_db=swing_db,
    )


def find_hum(samples: Samples, rate_hz: int) -> tuple[Hum, ...]:
    """`Hum` of a whole signal, shape (frames, channels); see `HumMeter`."""
    meter = HumMeter(rate_hz, samples.shape[1])
    meter.push(samples)
    return meter.result()
