"""Mains hum: lines at 50 or 60 Hz and their multiples that stand still through the whole mix.

Notes come and go, and no note of the equal-tempered scale at 440 Hz lies within 0.7 Hz of a multiple of 50 or 60 Hz
up to 400 Hz (closed form: the nearest is F4, 0.77 Hz beside 350 Hz). So the spectrum of every 4 s is taken, at every
frequency the level that the quietest tenth of the windows stays under, and a line counts that stands out of its
neighbours there. The mains frequency itself wanders by some hundredths of a hertz (from memory): less than a bin.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import fft
from scipy.ndimage import maximum_filter1d

from autochain.audio.mix import Samples
from autochain.measure._thin_kernels import thinned
from autochain.measure.pieces import Pieces
from autochain.units import linear_to_db

FAMILIES_HZ = (50.0, 60.0)
_Lines = dict[float, tuple[float, float]]

_LOW_RATE_HZ = 2000  # about: a whole number of frames is taken for one
_TAPS_PER_STEP = 12
_FRAMES_AT_ONCE = 2048
_WINDOW_S = 4.0
_HIGHEST_HZ = 420.0
_QUIET_PERCENT = 10.0  # of the windows: there the music is out of the way, at every frequency in windows of its own
_BROAD_HZ = 0.12  # what the mains wander, to each side
_BESIDE_HZ, _FOOT = 0.7, 0.7  # and where nothing may be 3 dB higher: the foot of a steady note is no line
_AROUND_HZ = np.arange(0.8, 5.0, 0.25)  # where neighbours are looked at, to each side
# Two lines over the first limit, or one over the second, make a hum. 60 s of the demo mixes without any reach 5.4 dB.
_LINE_DB, _ALONE_DB = 6.0, 9.0
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
    level_dbfs
        Level of all of them together, a full-scale sine in one channel being 0, in the channel that has more.
    channels
        `left`, `right` or `both` (`left` for one channel): a channel with 10 dB less than the other has none.
    """

    mains_hz: float
    lines_hz: tuple[float, ...]
    level_dbfs: float
    channels: str


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
        self._low: list[npt.NDArray[np.float64]] = []

    def push(self, block: Samples) -> None:
        """Take the next frames, shape (frames, channels)."""
        for piece in self._pieces.push(block):
            self._low.append(self._thinned(piece))

    def result(self) -> tuple[Hum, ...]:
        """Families found in everything pushed so far, the stronger one first; empty without 4 s of sound."""
        rest = [self._thinned(piece)[: max(0, end - self._half) // self._step] for piece, end in self._pieces.rest()]
        low = np.concatenate([np.empty((0, self._channels)), *self._low, *rest])
        lines = [self._lines(low[:, c]) for c in range(self._channels)]
        found = [hum for mains_hz in FAMILIES_HZ if (hum := _family(mains_hz, lines)) is not None]
        return tuple(sorted(found, key=lambda hum: -hum.level_dbfs))

    def _thinned(self, piece: Samples) -> npt.NDArray[np.float64]:
        out = np.empty((_FRAMES_AT_ONCE, self._channels))
        for channel in range(self._channels):
            thin = np.empty(_FRAMES_AT_ONCE)
            thinned(np.ascontiguousarray(piece[:, channel]), self._taps, self._step, thin)
            out[:, channel] = thin
        return out

    def _lines(self, low: npt.NDArray[np.float64]) -> _Lines:
        """Amplitude and contrast in dB of every multiple of 50 and 60 Hz that is always there."""
        size = round(_WINDOW_S * self._rate_hz)
        windows = np.lib.stride_tricks.sliding_window_view(low, size)[:: size // 2] if low.size >= size else low[:0]
        if not len(windows):
            return {}
        windows = windows[np.sqrt(np.mean(windows**2, axis=1)) > _SILENCE]
        if not len(windows):
            return {}
        window = np.hanning(size + 1)[:-1]
        padded = fft.next_fast_len(2 * size, real=True)
        bin_hz = self._rate_hz / padded
        stop = round((_HIGHEST_HZ + 8.0) / bin_hz)
        amplitude = np.abs(fft.rfft(windows * window, padded, axis=1)[:, :stop]) * 2.0 / window.sum()
        amplitude = maximum_filter1d(amplitude, 2 * max(1, round(_BROAD_HZ / bin_hz)) + 1, axis=1)
        quiet = np.percentile(amplitude, _QUIET_PERCENT, axis=0)
        found = {}
        for line_hz in sorted({m * f for f in FAMILIES_HZ for m in range(1, int(_HIGHEST_HZ / f) + 1)}):
            beside = np.rint(np.concatenate([line_hz - _AROUND_HZ, line_hz + _AROUND_HZ]) / bin_hz).astype(int)
            here = float(quiet[round(line_hz / bin_hz)])
            contrast_db = linear_to_db(here / max(_SILENCE, float(np.median(quiet[beside]))))
            near = quiet[round((line_hz - _BESIDE_HZ) / bin_hz) : round((line_hz + _BESIDE_HZ) / bin_hz) + 1]
            if contrast_db >= _LINE_DB and here >= _FOOT * near.max():
                found[line_hz] = (here, contrast_db)
        return found


def _family(mains_hz: float, lines: list[_Lines]) -> Hum | None:
    own = [{f: line for f, line in channel.items() if f % mains_hz == 0.0} for channel in lines]
    other = FAMILIES_HZ[1 - FAMILIES_HZ.index(mains_hz)]
    # 300 Hz belongs to both families and says nothing of either.
    counts = [sum(1 for f in found if f % other) for found in own]
    highest = [max((contrast for f, (_, contrast) in found.items() if f % other), default=0.0) for found in own]
    heard = [n >= _FEWEST_LINES or top >= _ALONE_DB for n, top in zip(counts, highest, strict=True)]
    if not any(heard):
        return None
    levels = [float(np.sqrt(sum(level * level for level, _ in found.values()))) for found in own]
    there = [level > 10.0 ** (-_ONE_SIDED_DB / 20.0) * max(levels) for level in levels]
    return Hum(
        mains_hz=mains_hz,
        lines_hz=tuple(sorted(set().union(*own))),
        level_dbfs=linear_to_db(max(levels)),
        channels="both" if len(there) > 1 and all(there) else "left" if there[0] else "right",
    )


def find_hum(samples: Samples, rate_hz: int) -> tuple[Hum, ...]:
    """`Hum` of a whole signal, shape (frames, channels); see `HumMeter`."""
    meter = HumMeter(rate_hz, samples.shape[1])
    meter.push(samples)
    return meter.result()
