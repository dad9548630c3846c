"""What the master kept of the mix's first and last sound: silence, fades, a tail that was cut."""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from autochain.compare.pair import Pair
from autochain.measure.head_and_tail import SILENCE_UNDER_PEAK_DB
from autochain.measure.hop_sums import measure_hop_sums
from autochain.measure.loudness import HOP_S

_KEPT_DB = -3.0  # re the gain in the song: what is lower has begun to fade
_GONE_DB = -40.0
_ABRUPT_HOPS = 3
_LEAST_HOPS = 5  # 50 ms: less is the edge of a hop and no loss
_SMOOTH_HOPS = 5

_Doubles = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class EndChange:
    """Head or tail of a song, in the mix and in the master.

    Attributes
    ----------
    silence_mix_s, silence_master_s
        Time between the end of the file and the first (or last) sound less than 60 dB under the song's peak.
    lost_s
        How much of the mix's sound at this end is more than 3 dB lower in the master than the song is; 0 when nothing.
    lost_peak_db
        Highest level of what was lost, re the mix's peak; None when nothing was.
    abrupt
        True when it was cut, False when it fades.
    at_s
        Mix time from which (or until which) it is missing.
    """

    silence_mix_s: float
    silence_master_s: float
    lost_s: float
    lost_peak_db: float | None
    abrupt: bool
    at_s: float

    def whole(self) -> "EndChange":
        """The same with nothing lost."""
        return replace(self, lost_s=0.0, lost_peak_db=None, abrupt=False)


def compare_head_and_tail(pair: Pair) -> tuple[EndChange, EndChange]:
    """Head and tail of a pair; sound that the master's file does not hold counts as silence."""
    delay, frames = pair.delay_frames, pair.mix.shape[0]
    mix = measure_hop_sums(pair.mix, pair.rate_hz)
    # The master on the mix's own grid of hops, silence where its file does not reach.
    first = -(min(0, delay) // mix.hop)
    laid = measure_hop_sums(pair.master[first * mix.hop + delay :][: frames - first * mix.hop], pair.rate_hz)
    power = laid.square[: laid.whole_hops].sum(axis=1)
    power = np.pad(power, (first, max(0, mix.whole_hops - first - power.size)))[: mix.whole_hops]
    own = measure_hop_sums(pair.master, pair.rate_hz)
    powers = mix.square[: mix.whole_hops].sum(axis=1), power
    reaches = [np.maximum(s.highest, -s.lowest).max(axis=1) for s in (mix, own)]
    reach, own_reach = reaches
    reach = reach[: powers[0].size]
    tail = _end(powers[0], powers[1], reach, own_reach)
    head = _end(powers[0][::-1], powers[1][::-1], reach[::-1], own_reach[::-1])
    length_s = powers[0].size * HOP_S
    return (
        replace(head, at_s=head.silence_mix_s + head.lost_s),
        replace(tail, at_s=length_s - tail.silence_mix_s - tail.lost_s),
    )


def _end(mix: _Doubles, master: _Doubles, reach: _Doubles, own_reach: _Doubles) -> EndChange:
    """Look at the last of these hops."""
    heard = np.flatnonzero(_heard(reach))
    last = int(heard[-1]) if heard.size else -1
    own = np.flatnonzero(_heard(own_reach))
    silence = [HOP_S * (r.size - 1 - (int(f[-1]) if f.size else -1)) for r, f in ((reach, heard), (own_reach, own))]
    smooth = np.ones(_SMOOTH_HOPS) / _SMOOTH_HOPS
    power = [np.convolve(p, smooth, mode="same") for p in (mix, master)]
    loud = power[0] > power[0].mean() * 0.1
    gain = 10.0 * np.log10(np.maximum(power[1], 1e-20) / np.maximum(power[0], 1e-20))
    # Where the master is silent tells no gain, nor where the mix is: dither over digital silence has 100 dB of it.
    sounding = loud & (gain > gain[loud].max(initial=-200.0) + 2.0 * _GONE_DB)
    gain -= np.median(gain[sounding]) if sounding.any() else 0.0
    kept = heard[gain[heard] >= _KEPT_DB]
    present = heard[gain[heard] >= _GONE_DB]
    first_lost = int(kept[-1]) + 1 if kept.size else 0
    lost = last + 1 - first_lost
    if lost < _LEAST_HOPS:
        lost, peak_db = 0, None
    else:
        peak_db = float(20.0 * np.log10(reach[first_lost : last + 1].max() / reach.max()))
    gone = (int(present[-1]) if present.size else -1) - first_lost
    return EndChange(
        silence_mix_s=silence[0],
        silence_master_s=silence[1],
        lost_s=lost * HOP_S,
        lost_peak_db=peak_db,
        abrupt=lost > 0 and gone <= _ABRUPT_HOPS and gone + 1 < lost,
        at_s=0.0,
    )


def _heard(reach: _Doubles) -> npt.NDArray[np.bool_]:
    return np.asarray(reach > reach.max(initial=0.0) * 10.0 ** (-SILENCE_UNDER_PEAK_DB / 20.0))
