"""Which parts of the song a trial renders: the loudest, most transient, most asymmetric and most typical.

All four are found on the linear-stage output from 10 ms hops; windows do not overlap and start on the 400 ms
grid, so that gating blocks and meter blocks of an excerpt are blocks of the song.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from autochain.audio.mix import Samples
from autochain.config.model import Excerpts
from autochain.measure.loudness import power_to_lufs

GRID_HOPS = 40  # 400 ms
TYPICAL = "typical"
_WINDOW_HOPS = 5  # 50 ms, the window of the crest and asymmetry costs
# A song not much longer than its excerpts is rendered whole: nothing would be saved.
_WHOLE_BELOW = 1.25


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """A scored part of the song in 10 ms hops, with its pre-roll, and why it was chosen."""

    start_hop: int
    stop_hop: int
    preroll_hops: int
    reason: str


def _per_window(samples: Samples, hop: int, hops: int) -> tuple[npt.NDArray[np.float64], ...]:
    """Largest and smallest sample and mean square per 50 ms window, over channels."""
    windows = hops // _WINDOW_HOPS
    shaped = samples[: windows * _WINDOW_HOPS * hop].reshape(windows, -1)
    power = np.einsum("ij,ij->i", shaped, shaped, dtype=np.float64) / shaped.shape[1]
    return shaped.max(axis=1).astype(np.float64), shaped.min(axis=1).astype(np.float64), power


def choose_spans(
    samples: Samples, rate_hz: int, hops: npt.NDArray[np.float64], integrated_lufs: float, plan: Excerpts
) -> tuple[Span, ...]:
    """Choose the scored spans.

    Parameters
    ----------
    samples
        Linear-stage output, shape (frames, channels).
    rate_hz
        Sample rate.
    hops
        K-weighted power per 10 ms hop of the same samples.
    integrated_lufs
        Loudness of the same samples.
    plan
        Number, length and pre-roll.

    Returns
    -------
    tuple of Span
        In song order. One span over the whole song when the song is hardly longer than the excerpts.
    """
    total = len(hops)
    length = round(plan.length_s * 100.0)
    if total < _WHOLE_BELOW * plan.count * length:
        return (Span(start_hop=0, stop_hop=total, preroll_hops=0, reason="whole song"),)
    starts = np.arange(0, total - length + 1, GRID_HOPS)
    high, low, power = _per_window(samples, round(rate_hz / 100), total)
    high, low = np.maximum(high, 1e-9), np.maximum(-low, 1e-9)
    window_lufs = power_to_lufs(hops[: len(power) * _WINDOW_HOPS].reshape(-1, _WINDOW_HOPS).mean(axis=1))
    loud = window_lufs >= integrated_lufs
    crest = 20.0 * np.log10(np.maximum(high, low)) - 10.0 * np.log10(np.maximum(power, 1e-12))
    lean = 20.0 * np.log10(high / low)

    def sums(values: npt.NDArray[np.float64], at: npt.NDArray[np.int64], span: int) -> npt.NDArray[np.float64]:
        running = np.concatenate(([0.0], np.cumsum(values)))
        return running[np.minimum(at + span, len(values))] - running[np.minimum(at, len(values))]

    at, span = starts // _WINDOW_HOPS, length // _WINDOW_HOPS
    count = sums(loud.astype(np.float64), at, span)
    enough = count >= 0.25 * span  # a window of one stray hit says nothing about the song
    mean_crest = np.where(enough, sums(np.where(loud, crest, 0.0), at, span) / np.maximum(count, 1.0), -np.inf)
    mean_lean = np.where(enough, np.abs(sums(np.where(loud, lean, 0.0), at, span)) / np.maximum(count, 1.0), -np.inf)
    lufs = power_to_lufs(sums(hops, starts, length) / length)
    merits = (
        ("loudest", lufs),
        ("most transient", mean_crest),
        ("most asymmetric", mean_lean),
        (TYPICAL, -np.abs(lufs - integrated_lufs)),
    )
    chosen: list[Span] = []
    for reason, merit in merits[: plan.count]:
        free = np.ones(len(starts), dtype=bool)
        for taken in chosen:
            free &= (starts + length <= taken.start_hop) | (starts >= taken.stop_hop)
        ranked = np.where(free, merit, -np.inf)
        if not np.isfinite(ranked).any():
            continue
        start = int(starts[int(np.argmax(ranked))])
        chosen.append(
            Span(
                start_hop=start,
                stop_hop=start + length,
                preroll_hops=min(start, round(plan.preroll_s * 100.0)),
                reason=reason,
            )
        )
    return tuple(sorted(chosen, key=lambda s: s.start_hop))


def first_excerpt(spans: Sequence[Span]) -> int | None:
    """Which of several excerpts stands best for all: the typical one; None when there is but one.

    Of the four it has the most even residual against all of them, near the best settings of three demo characters.
    """
    if len(spans) < 2:
        return None
    typical = [place for place, span in enumerate(spans) if span.reason == TYPICAL]
    return typical[0] if typical else len(spans) - 1
