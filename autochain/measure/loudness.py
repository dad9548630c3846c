"""Loudness of a mix: K-weighting, gating, momentary, short-term, range.

A measurement is a chain of small steps over plain arrays. The only pass over the samples is `HopMeter`, fed
block by block (`weighted_hops` feeds it a whole array), which gives one power per 10 ms; everything else is
computed from these few numbers.

**The time a value belongs to.** A series value of index k is taken over hops k .. k+W-1 (W = `MOMENTARY_HOPS`
or `SHORT_TERM_HOPS`), incomplete windows do not exist, and its time is the centre of that window:
`centre_s(k, W)`.

Sources: Rec. ITU-R BS.1770-5 (2023) Annex 1; EBU Tech 3341 v4 (2023); EBU Tech 3342 (2023).
"""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from autochain.audio.mix import Samples
from autochain.audio.room import in_blocks
from autochain.measure._loudness_kernels import LANES, STATES, k_weighted_hops
from autochain.units import FLOOR_DB

Series = npt.NDArray[np.float64]

HOP_S = 0.01  # Tech 3341 cases 10 and 13 fail with 100 ms steps; 10 ms reads the maxima exactly
MOMENTARY_HOPS = 40  # 400 ms, Tech 3341 2.2
SHORT_TERM_HOPS = 300  # 3 s, Tech 3341 2.2
_STEP_HOPS = 10  # 100 ms: gating blocks overlap by 75 % (BS.1770-5 Annex 1); Tech 3342 asks for >= 10 Hz

ABSOLUTE_GATE_LUFS = -70.0  # BS.1770-5 Annex 1 and Tech 3342
RELATIVE_GATE_LU = 10.0  # BS.1770-5 Annex 1
RANGE_GATE_LU = 20.0  # Tech 3342
RANGE_PERCENT = (10.0, 95.0)  # Tech 3342

_OFFSET_LU = -0.691  # BS.1770-5 Annex 1, equation 2: cancels the K-weighting gain at 997 Hz


def hop_frames(rate_hz: int) -> int:
    """Frames of one 10 ms hop."""
    return round(rate_hz * HOP_S)


def centre_s(index: int, window_hops: int) -> float:
    """Mix time of value `index` of a series over windows of `window_hops`: the centre of its window, in s."""
    return (index + 0.5 * window_hops) * HOP_S


def power_to_lufs(power: npt.NDArray[np.float64]) -> Series:
    """Loudness of summed K-weighted powers, not below -200 LUFS; inverse of `lufs_to_power`.

    BS.1770-5 Annex 1, equation 2.
    """
    least = 10.0 ** ((FLOOR_DB - _OFFSET_LU) / 10.0)
    return np.asarray(np.maximum(FLOOR_DB, _OFFSET_LU + 10.0 * np.log10(np.maximum(power, least))))


def lufs_to_power(lufs: float) -> float:
    """Power, K-weighted and summed over channels, of a loudness; inverse of `power_to_lufs`."""
    return float(10.0 ** ((lufs - _OFFSET_LU) / 10.0))


def k_weighting(rate_hz: int) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Return the two K-weighting filters at a sample rate, each as b0, b1, b2, a1, a2 (a0 = 1).

    BS.1770-5 tabulates 48 kHz only and asks for the same response elsewhere. These are the bilinear
    transforms of the analogue prototypes behind the tables (parameters as in libebur128); at 48 kHz they give
    the tables to all printed digits. The second numerator stays 1, -2, 1 at every rate, as in the table, so
    the reading is 0.003 LU high at 44.1 kHz and 0.017 LU low at 96 kHz, as it is in libebur128.
    """
    Q = 0.7071752369554196
    K = math.tan(math.pi * 1681.974450955533 / rate_hz)
    Vh = 10.0 ** (3.999843853973347 / 20.0)
    Vb = Vh**0.4996667741545416
    d = 1.0 + K / Q + K * K
    shelf = np.array(
        [
            (Vh + Vb * K / Q + K * K) / d,
            2.0 * (K * K - Vh) / d,
            (Vh - Vb * K / Q + K * K) / d,
            2.0 * (K * K - 1.0) / d,
            (1.0 - K / Q + K * K) / d,
        ]
    )
    Q = 0.5003270373238773
    K = math.tan(math.pi * 38.13547087602444 / rate_hz)
    d = 1.0 + K / Q + K * K
    high_pass = np.array([1.0, -2.0, 1.0, 2.0 * (K * K - 1.0) / d, (1.0 - K / Q + K * K) / d])
    return shelf, high_pass


class HopMeter:
    """K-weighted power per 10 ms of a stream; how the stream is cut into blocks changes no bit.

    Memory grows by 8 bytes per 10 ms.

    Parameters
    ----------
    rate_hz
        44100 to 192000. A hop is round(rate_hz / 100) frames.
    channels
        1 or 2; each has weight 1 (BS.1770-5 Annex 1, Table 3), so one channel reads 3.01 LU less than the
        same sound in two.
    """

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._hop = hop_frames(rate_hz)
        self._filter = _ringing_filter(rate_hz)
        self._state = np.zeros((channels, STATES))
        self._rows = np.empty(self._filter.ringing.shape[0] * LANES)
        self._sums = np.empty(9 * LANES)
        self._begun: Samples = np.empty((0, channels), dtype=np.float32)
        self._powers: list[Series] = []

    def push(self, block: Samples) -> None:
        """Take the next frames, shape (frames >= 0, channels), full scale +-1.0, float32 or float64."""
        if self._begun.shape[0]:
            missing = self._hop - self._begun.shape[0]
            self._begun = np.concatenate([self._begun, block[:missing]])
            block = block[missing:]
            if self._begun.shape[0] < self._hop:
                return
            self._weigh(self._begun)
        whole = block.shape[0] // self._hop * self._hop
        self._weigh(block[:whole])
        self._begun = block[whole:].copy()

    def result(self) -> Series:
        """Power per complete hop so far, summed over channels, float64, shape (hops,)."""
        self._powers = [np.concatenate(self._powers)] if self._powers else []
        return self._powers[0].copy() if self._powers else np.empty(0)

    def _weigh(self, frames: Samples) -> None:
        count = frames.shape[0] // self._hop
        if count == 0:
            return
        powers = np.empty(count)
        f = self._filter
        k_weighted_hops(
            np.ascontiguousarray(frames).reshape(-1), frames.shape[1], self._hop, f.shelf, f.high_pass,
            f.ringing, f.ringing_power, f.advance, self._state, self._rows, self._sums, powers,
        )  # fmt: skip
        self._powers.append(powers)


def weighted_hops(samples: Samples, rate_hz: int) -> Series:
    """K-weighted mean square per 10 ms hop, summed over channels with weight 1.

    Parameters
    ----------
    samples
        Shape (frames, 1 or 2), full scale +-1.0, float32 or float64.
    rate_hz
        44100 to 192000. A hop is round(rate_hz / 100) frames.

    Returns
    -------
    Power per hop, float64, shape (frames // hop,); an incomplete last hop is dropped.
    """
    meter = HopMeter(rate_hz, samples.shape[1])
    for block in in_blocks(samples):
        meter.push(block)
    return meter.result()


def gating_blocks(hops: Series) -> Series:
    """Powers of the 400 ms blocks every 100 ms (BS.1770-5 Annex 1), an incomplete last block dropped.

    Blocks of several excerpts may be concatenated: none then straddles a splice.
    """
    steps = hops[: hops.size // _STEP_HOPS * _STEP_HOPS].reshape(-1, _STEP_HOPS).mean(axis=1)
    if steps.size < 4:
        return np.empty(0)
    return np.asarray((steps[:-3] + steps[1:-2] + steps[2:-1] + steps[3:]) / 4.0)


def gated_lufs(powers: Series) -> float | None:
    """Loudness of gating blocks behind both gates; None when no block is louder than -70 LUFS.

    BS.1770-5 Annex 1, equations 5 to 7; both comparisons strict.
    """
    heard = powers[powers > lufs_to_power(ABSOLUTE_GATE_LUFS)]
    if heard.size == 0:
        return None
    kept = heard[heard > heard.mean() * 10.0 ** (-RELATIVE_GATE_LU / 10.0)]
    return float(power_to_lufs(kept.mean()))


def integrated_lufs(hops: Series) -> float | None:
    """Gated loudness of the whole; None for silence and for less than 400 ms."""
    return gated_lufs(gating_blocks(hops))


def momentary_lufs(hops: Series) -> Series:
    """Loudness of each complete 400 ms window, ungated, 10 ms apart (Tech 3341 2.2); floor -200."""
    return power_to_lufs(_window_means(hops, MOMENTARY_HOPS))


def short_term_lufs(hops: Series) -> Series:
    """Loudness of each complete 3 s window, ungated, 10 ms apart (Tech 3341 2.2); floor -200."""
    return power_to_lufs(_window_means(hops, SHORT_TERM_HOPS))


def loudness_range_lu(hops: Series) -> float | None:
    """Loudness range in LU (Tech 3342): spread of the short-term loudness from 10 % to 95 %.

    Windows 100 ms apart; gates at -70 LUFS and 20 LU under the power mean of what the first gate keeps;
    percentiles without interpolation, as in the document's own program. Only complete windows count: the
    document's 1.5 s of appended silence serve meters that show the value late. None when nothing is above
    -70 LUFS or the mix is shorter than 3 s.
    """
    powers = _window_means(hops, SHORT_TERM_HOPS)[::_STEP_HOPS]
    heard = powers[powers >= lufs_to_power(ABSOLUTE_GATE_LUFS)]
    if heard.size == 0:
        return None
    kept = np.sort(heard[heard >= heard.mean() * 10.0 ** (-RANGE_GATE_LU / 10.0)])
    low, high = (power_to_lufs(kept[math.floor((kept.size - 1) * p / 100.0 + 0.5)]) for p in RANGE_PERCENT)
    return float(high - low)


def loud_hops(hops: Series, threshold_lufs: float) -> npt.NDArray[np.bool_]:
    """Hops whose centred 400 ms loudness is at least `threshold_lufs`, shape (hops,).

    The loud parts of a mix are those with its integrated loudness as threshold. The window of hop k is hops
    k-20 .. k+19; at both ends of the mix it is the part that exists.
    """
    if hops.size == 0:
        return np.zeros(0, dtype=np.bool_)
    half = MOMENTARY_HOPS // 2
    padded = np.concatenate([np.zeros(half), hops, np.zeros(half - 1)])
    k = np.arange(hops.size)
    present = np.minimum(k + half, hops.size) - np.maximum(k - half, 0)
    means = _window_means(padded, MOMENTARY_HOPS) * (MOMENTARY_HOPS / present)
    return np.asarray(means >= lufs_to_power(threshold_lufs))


def _window_means(hops: Series, window_hops: int) -> Series:
    """Mean over each complete window.

    Each window is summed on its own: differences of a running sum would leave the rounding of the loud parts
    (-120 dB after minutes) in the silent ones.
    """
    if hops.size < window_hops:
        return np.empty(0)
    return np.asarray(np.convolve(hops, np.ones(window_hops), mode="valid") / window_hops)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _RingingFilter:
    """The K-weighting filters and what a state left in them does during one hop; see the kernel."""

    shelf: npt.NDArray[np.float64]
    high_pass: npt.NDArray[np.float64]
    ringing: npt.NDArray[np.float64]
    ringing_power: npt.NDArray[np.float64]
    advance: npt.NDArray[np.float64]


@lru_cache(maxsize=8)
def _ringing_filter(rate_hz: int) -> _RingingFilter:
    shelf, high_pass = k_weighting(rate_hz)
    a1, a2 = shelf[3:]
    c1, c2 = high_pass[3:]
    # One frame without input: both filters in transposed direct form II, the shelf's two states first.
    step = np.array(
        [
            [-a1, 1.0, 0.0, 0.0],
            [-a2, 0.0, 0.0, 0.0],
            [-2.0 - c1, 0.0, -c1, 1.0],
            [1.0 - c2, 0.0, -c2, 0.0],
        ]
    )
    hop = hop_frames(rate_hz)
    ringing = np.zeros((hop + hop % 2, STATES))
    advance = np.eye(STATES)
    for n in range(hop % 2, ringing.shape[0]):
        ringing[n] = advance[0] + advance[2]
        advance = step @ advance
    return _RingingFilter(
        shelf=shelf,
        high_pass=high_pass[3:],
        ringing=ringing,
        ringing_power=ringing.T @ ringing,
        advance=advance,
    )
