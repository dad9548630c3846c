"""Movement of level over seconds: pumping gain, lost contrast, a loudest part that stands out further."""

from collections.abc import Sequence
from functools import cache
from typing import Any

import numpy as np
import numpy.typing as npt

from autochain.audio.sections import SectionFilter, Step, butterworth_high_pass, butterworth_low_pass
from autochain.measure.loudness import ABSOLUTE_GATE_LUFS, RANGE_GATE_LU, RANGE_PERCENT, loud_hops

_TRACE_HZ = 100
# Slower gain is a fader move, faster gain is heard as distortion or softened onsets, not as pumping.
_PUMPING_HZ = (0.5, 20.0)
_QUIET_HOP_DB = 30.0  # hops further under the mean tell nothing about gain

_Series = Sequence[npt.NDArray[np.floating[Any]]]
_Floats = npt.NDArray[np.float64]


def gain_movement_db(reduction_db_segments: _Series, loud_segments: Sequence[npt.NDArray[np.bool_]]) -> float:
    """Rms of the gain's movement between 0.5 and 20 Hz in the loud parts: pumping.

    Parameters
    ----------
    reduction_db_segments
        One array per excerpt at 100 Hz: mean reduction in dB of all stages that follow level, added up.
    loud_segments
        True where the excerpt is loud, same lengths.

    Returns
    -------
    dB, >= 0; 0 where nothing is loud. A sine of amplitude A dB reads A / sqrt(2) inside the band; the filter
    (second-order Butterworth, forwards and backwards, so without delay) is 6 dB down at both ends.
    """
    total, count = 0.0, 0
    for reduction_db, loud in zip(reduction_db_segments, loud_segments, strict=True):
        if reduction_db.size < 2:
            continue
        # Without its straight-line part an excerpt of a slow drift has no step at its ends that the filter
        # would take for movement; mirrored ends then continue it. Three seconds outlast the filter's memory.
        level = _without_trend(reduction_db.astype(np.float64))
        pad = min(3 * _TRACE_HZ, level.size - 1)
        moving = _forth_and_back(np.pad(level, pad, mode="reflect"))[pad : pad + level.size][loud]
        total += float(np.square(moving).sum())
        count += moving.size
    return float(np.sqrt(total / count)) if count else 0.0


def contrast_loss_lu(before_segments: _Series, after_segments: _Series) -> float:
    """Spread of short-term loudness that the mix has and the output has not.

    Parameters
    ----------
    before_segments, after_segments
        Short-term loudness in LUFS of mix and output at the same times, any even hop; -inf is silence.

    Returns
    -------
    LU, >= 0: how much the distance from the 10th to the 95th percentile shrinks (the loudness range of EBU
    Tech 3342), over the times that pass the gates in the mix (-70 LUFS, and 20 LU under the power mean of
    what is louder than that). 0 where fewer than two values pass.
    """
    before, after = _pooled(before_segments), _pooled(after_segments)
    sounding = before >= ABSOLUTE_GATE_LUFS
    if not sounding.any():
        return 0.0
    mean_lufs = 10.0 * np.log10(np.mean(10.0 ** (before[sounding] / 10.0)))
    heard = sounding & (before >= mean_lufs - RANGE_GATE_LU)
    return max(0.0, _spread(before[heard]) - _spread(after[heard]))


def short_term_overshoot_lu(
    before_segments: _Series,
    after_segments: _Series,
    before_integrated_lufs: float | None,
    after_integrated_lufs: float | None,
) -> float:
    """How much further the loudest short-term loudness stands above the integrated one than in the mix.

    Parameters
    ----------
    before_segments, after_segments
        Short-term loudness of mix and output in LUFS; -inf is silence.
    before_integrated_lufs, after_integrated_lufs
        Integrated loudness of the same material; None is silence.

    Returns
    -------
    LU, >= 0; 0 for silence.
    """
    before, after = _pooled(before_segments), _pooled(after_segments)
    if before_integrated_lufs is None or after_integrated_lufs is None or not before.size or not after.size:
        return 0.0
    return max(0.0, float((after.max() - after_integrated_lufs) - (before.max() - before_integrated_lufs)))


def gain_trace_db(reference: _Floats, master: _Floats) -> _Floats:
    """Gain over time: level of each 10 ms of the master over that of the reference, relative to its median.

    Parameters
    ----------
    reference, master
        K-weighted powers per 10 ms of the same stretch (`loudness.weighted_hops`).

    Returns
    -------
    dB, shape (hops,); 0 where the reference is more than 30 dB under its mean. Clipped hits count as gain that falls.
    """
    count = min(reference.size, master.size)
    reference, master = reference[:count], master[:count]
    heard = reference > reference.mean() * 10.0 ** (-_QUIET_HOP_DB / 10.0) if count else np.zeros(0, dtype=bool)
    gain = np.zeros(count)
    if heard.any():
        gain[heard] = 10.0 * np.log10(np.maximum(master[heard], 1e-20) / reference[heard])
        gain[heard] -= np.median(gain[heard])
    return gain


def movement_between_db(reference: _Floats, master: _Floats, reference_lufs: float) -> float:
    """Rms of that gain between 0.5 and 20 Hz in the loud parts: `gain_movement_db` without the traces of the stages.

    A gain that swings like a sine of amplitude A dB reads A / sqrt(2).
    """
    gain = gain_trace_db(reference, master)
    return gain_movement_db([-gain], [loud_hops(reference, reference_lufs)[: gain.size]])


def _without_trend(level: _Floats) -> _Floats:
    """Take away the straight line that fits best."""
    at = np.arange(level.size) - 0.5 * (level.size - 1)
    return np.asarray(level - level.mean() - at * (at @ level) / (at @ at))


def _forth_and_back(level: _Floats) -> _Floats:
    """Filter to the band from 0.5 to 20 Hz forwards, then backwards, as if the first value had always been there."""
    for _ in range(2):
        # What has always been the same is nothing to a high-pass.
        level = np.asarray(SectionFilter([_pumping_band()], 1).push((level - level[0])[:, None])[::-1, 0], np.float64)
    return level


@cache  # a search asks for it in every trial
def _pumping_band() -> Step:
    """Sections of the band from 0.5 to 20 Hz at 100 Hz."""
    band = butterworth_high_pass(_PUMPING_HZ[0], _TRACE_HZ), butterworth_low_pass(_PUMPING_HZ[1], _TRACE_HZ)
    return Step(mid_side=False, first=band, second=band)


def _pooled(segments: _Series) -> _Floats:
    """Join the segments, silence (-inf) lifted to just under the absolute gate so that it can be summed."""
    joined = np.concatenate([np.asarray(s, np.float64) for s in segments]) if segments else np.empty(0)
    return np.asarray(np.maximum(joined, np.nextafter(ABSOLUTE_GATE_LUFS, -np.inf)))


def _spread(lufs: _Floats) -> float:
    if lufs.size < 2:
        return 0.0
    low, high = np.percentile(lufs, RANGE_PERCENT)
    return float(high - low)
