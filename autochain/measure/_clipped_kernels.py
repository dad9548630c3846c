"""Loop of the clipped-run count; the caller allocates every array."""

from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

_Doubles = npt.NDArray[np.float64]
_Ints = npt.NDArray[np.int64]


@njit(cache=True, nogil=True)
def clipped_runs(
    flat: npt.NDArray[np.floating[Any]],
    channels: int,
    hop: int,
    first_hop: int,
    reach: _Doubles,
    shortest: int,
    least_drop: float,
    real: _Doubles,
    whole: _Ints,
    count: npt.NDArray[np.int32],
    longest: npt.NDArray[np.int32],
) -> None:
    """Count, in the hops of interleaved frames, the runs of equal samples at the largest sample of a hop.

    A lane is one polarity of one channel: lane 2 c + 0 looks upwards, 2 c + 1 downwards. `reach`
    (hops, lanes) holds how far each lane reaches in these hops; `count` and `longest` (all hops so far,
    lanes) are indexed from the first hop of the signal and get the runs that begin in a hop.

    State between calls: `real` (lanes, 4) is the furthest reach so far, the value of the open run, the step
    into it, the previous sample; `whole` (lanes, 3) is the length of the open run (0: none), the hop it
    began in, and whether there was a previous sample. Hops that do not reach as far as an earlier one are
    passed over, so counts are complete only in the hops that reach furthest of all.
    """
    for h in range(reach.shape[0]):
        base = h * hop * channels
        for lane in range(2 * channels):
            c = lane // 2
            sign = 1.0 if lane % 2 == 0 else -1.0
            m = reach[h, lane]
            if m >= real[lane, 0] and m > 0.0:
                real[lane, 0] = m
                searched = True
            else:
                searched = False
            for i in range(hop):
                if not searched and whole[lane, 0] == 0:
                    break
                x = sign * np.float64(flat[base + i * channels + c])
                if whole[lane, 0] > 0:
                    if x == real[lane, 1]:
                        whole[lane, 0] += 1
                        continue
                    run = whole[lane, 0]
                    if run >= shortest and max(real[lane, 2], real[lane, 1] - x) > least_drop:
                        begun = whole[lane, 1]
                        count[begun, lane] += 1
                        longest[begun, lane] = max(longest[begun, lane], run)
                    whole[lane, 0] = 0
                if searched and x == m:  # also the sample that ended a lower run
                    if i > 0:
                        before = sign * np.float64(flat[base + (i - 1) * channels + c])
                        step = m - before
                    else:
                        step = m - real[lane, 3] if whole[lane, 2] else 0.0
                    real[lane, 1] = m
                    real[lane, 2] = step
                    whole[lane, 0] = 1
                    whole[lane, 1] = first_hop + h
            real[lane, 3] = sign * np.float64(flat[base + (hop - 1) * channels + c])
            whole[lane, 2] = 1
