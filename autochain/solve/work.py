"""Compressor work: the reduction wanted in the loud parts, solved by the threshold.

Work = 95th percentile, over the 400 ms blocks of the loud parts, of the largest reduction inside each block.
It is what an engineer reads off the meter, and unlike a threshold it means the same on every mix.
"""

from collections.abc import Callable, Mapping, Sequence

import numpy as np
import numpy.typing as npt

from autochain.chain.settings import StageName
from autochain.config.coordinates import EARLY

WORK_PERCENTILE = 95.0
WORK_TOLERANCE_DB = 0.05
_MOST_STEPS = 12
_MOST_ROUNDS = 3

Blocks = npt.NDArray[np.floating]


def work_db(reduction_blocks: Sequence[Blocks], loud_blocks: Sequence[npt.NDArray[np.bool_]]) -> float:
    """Work of a compressor from its largest reduction per 400 ms block, pooled over segments."""
    pooled = np.concatenate([r[: len(m)][m[: len(r)]] for r, m in zip(reduction_blocks, loud_blocks, strict=True)])
    return float(np.percentile(pooled, WORK_PERCENTILE)) if pooled.size else 0.0


def early_work_db(blocks: Mapping[StageName, Sequence[Blocks]], loud_blocks: Sequence[npt.NDArray[np.bool_]]) -> float:
    """What the compressors and the clipper take together before the limiter, in dB.

    The sum of what their meters show in the loud parts: per stage the median over the loud 400 ms blocks of the
    largest reduction inside each, as the sheet prints it.
    """
    total = 0.0
    for name in EARLY:
        if name in blocks:
            pooled = [r[: len(m)][m[: len(r)]] for r, m in zip(blocks[name], loud_blocks, strict=True)]
            joined = np.concatenate(pooled)
            total += float(np.median(joined)) if joined.size else 0.0
    return total


def solve_threshold(
    work_at: Callable[[float], float],
    wanted_db: float,
    *,
    start_db: float,
    low_db: float,
    high_db: float,
    roughly: Callable[[float], float] | None = None,
) -> float:
    """Threshold at which `work_at(threshold_db)` equals `wanted_db` within 0.05 dB, or the nearest end.

    Work falls as the threshold rises, so a bracketed secant does it. With `roughly`, which costs little, it is solved
    there, and again for what it is off where it ends.
    """
    if roughly is None:
        return _solved(work_at, wanted_db, start_db, low_db, high_db)[0]
    aim_db = wanted_db
    for _ in range(_MOST_ROUNDS):
        start_db, rough_db = _solved(roughly, aim_db, start_db, low_db, high_db)
        off_db = work_at(start_db) - wanted_db
        if abs(off_db) <= WORK_TOLERANCE_DB or not low_db < start_db < high_db:
            break
        aim_db = rough_db - off_db
    return start_db


def _solved(
    work_at: Callable[[float], float], wanted_db: float, start_db: float, low_db: float, high_db: float
) -> tuple[float, float]:
    """Threshold and work there."""
    lo, hi = low_db, high_db
    f_lo: float | None = None
    f_hi: float | None = None
    threshold = min(hi, max(lo, start_db))
    reach_db = 1.0
    work = 0.0
    for _ in range(_MOST_STEPS):
        work = work_at(threshold)
        error = work - wanted_db
        if abs(error) <= WORK_TOLERANCE_DB:
            break
        if error > 0.0:
            lo, f_lo = threshold, error
        else:
            hi, f_hi = threshold, error
        if hi - lo < 0.01:
            break
        if f_lo is not None and f_hi is not None:
            share = min(0.9, max(0.1, f_lo / (f_lo - f_hi)))
            threshold = lo + share * (hi - lo)
        else:
            threshold = min(hi, max(lo, threshold + 1.5 * error + (reach_db if error > 0.0 else -reach_db)))
            reach_db *= 2.0
    return threshold, work
