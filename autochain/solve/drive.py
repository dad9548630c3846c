"""The one unknown that is solved and not searched: the drive that brings a chain to the wanted loudness.

Loudness rises with drive nearly monotonically, then flattens as peak stages saturate. The solve is a bracketed
secant: it starts where little is lost, moves towards the target, and stops as out of reach when the curve gets
flatter than a set slope while still too quiet. Starting low makes the smallest root win. What is printed of a target
out of reach ends where the curve gets that flat: nobody would dial thirty decibels in for the last half.
"""

from collections.abc import Callable
from dataclasses import dataclass

from autochain.chain.drive import STAGE
from autochain.config.model import Drive

_GAIN = STAGE.parameter("gain_db")

_STEEPEST = 1.3  # LU per dB a transient shaper may add; a larger secant slope is noise
_FLATTEST = 0.05
# Two renders nearer to each other say nothing of the slope: a clipper's ceiling moves in steps of a tenth.
_TELLS_SLOPE_DB = 0.1
_GRAIN_DB = 0.5  # how closely the end of a useful drive is found; at the slope that ends it, under 0.1 LU
_MOST_FOR_END = 10


def within_slopes(slope: float) -> float:
    """A secant's slope in LU per dB, kept to what a chain can have: outside of it, it is noise."""
    return min(_STEEPEST, max(_FLATTEST, slope))


@dataclass(frozen=True, slots=True, kw_only=True)
class Solution:
    """Outcome of a drive solve.

    Attributes
    ----------
    drive_db
        Drive of the render that came nearest.
    reached_lufs
        Loudness of that render.
    met
        True when the target was met within the tolerance.
    slope
        Local slope in LU per dB at the end, where two renders show it.
    renders
        Number of renders spent.
    saturated
        True when the target was missed and more drive hardly makes it louder.
    """

    drive_db: float
    reached_lufs: float
    met: bool
    slope: float
    renders: int
    saturated: bool = False


def solve_drive(
    loudness_at: Callable[[float], float],
    target_lufs: float,
    *,
    start_db: float,
    slope: float,
    plan: Drive,
    step_db: float = 0.0,
    gain_alone_db: float = 0.0,
    dialable: bool = False,
) -> Solution:
    """Find the smallest drive at which `loudness_at(drive_db)` equals the target.

    Parameters
    ----------
    loudness_at
        Renders at a drive in dB and returns the loudness in LUFS.
    target_lufs
        Loudness wanted.
    start_db, slope
        First guess, and the slope in LU per dB expected there.
    plan
        Range, tolerance and number of renders.
    step_db
        Proposals are rounded to this step when > 0; a loudness within one step of the target then counts as met.
    gain_alone_db
        Drive that would do if the peak stages took nothing; the bracket reaches `plan.max_db` beyond it, so that
        a mix delivered quietly has the same room as a loud one.
    dialable
        A target out of reach ends at the drive from which on a dB adds less than `plan.saturated_slope`, and not at
        the loudest render: for what a person sets.
    """
    seen: dict[float, float] = {}
    highest = min(_GAIN.high, gain_alone_db + plan.max_db)

    def settable(drive_db: float) -> float:
        drive_db = min(highest, max(_GAIN.low, drive_db))
        return round(round(drive_db / step_db) * step_db, 6) if step_db > 0.0 else drive_db

    tolerance = max(plan.tolerance_lu, step_db)
    saturated = False
    proposal = settable(start_db)
    while proposal not in seen and len(seen) < plan.max_renders:
        seen[proposal] = loudness_at(proposal) - target_lufs
        error = seen[proposal]
        below = sorted(d for d, e in seen.items() if e < 0.0)
        above = sorted(d for d, e in seen.items() if e >= 0.0)
        if abs(error) <= plan.tolerance_lu:
            break
        if len(seen) > 1:
            ordered = sorted(seen)
            at = ordered.index(proposal)
            left, right = (at - 1, at) if at > 0 and (error < 0.0 or at == len(ordered) - 1) else (at, at + 1)
            apart_db = ordered[right] - ordered[left]
            rise = (seen[ordered[right]] - seen[ordered[left]]) / apart_db
            if apart_db >= _TELLS_SLOPE_DB:
                if not above and rise < plan.saturated_slope:
                    saturated = True
                    break
                slope = within_slopes(rise)
        if below and above and below[-1] < above[0]:
            lo, hi = below[-1], above[0]
            middle = lo + (hi - lo) * seen[lo] / (seen[lo] - seen[hi])
            # A secant that hugs one end of a curved bracket barely moves: keep it off the ends.
            proposal = settable(min(hi - 0.1 * (hi - lo), max(lo + 0.1 * (hi - lo), middle)))
            if step_db > 0.0 and proposal in seen:
                break
        else:
            proposal = settable(proposal - error / max(slope, plan.saturated_slope))
    best = min(seen, key=lambda d: (abs(seen[d]), d))
    met = abs(seen[best]) <= tolerance
    if dialable and not met and max(seen.values()) < 0.0:
        best = _useful_end(lambda d: loudness_at(d) - target_lufs, seen, settable, highest, plan.saturated_slope)
        saturated = best < highest
    return Solution(
        drive_db=best,
        reached_lufs=seen[best] + target_lufs,
        met=met,
        slope=slope,
        renders=len(seen),
        saturated=saturated and not met,
    )


def _useful_end(
    error_at: Callable[[float], float],
    seen: dict[float, float],
    settable: Callable[[float], float],
    highest: float,
    slope: float,
) -> float:
    """Drive from which on a dB adds less than `slope` LU, within half a dB; its renders are added to `seen`.

    Loudness that flattens with drive, less `slope` times the drive, is highest there: the bracket around the highest
    render is halved.
    """

    def worth(drive_db: float) -> float:
        return min(0.0, seen[drive_db]) - slope * drive_db

    for _ in range(_MOST_FOR_END):
        drives = sorted(seen)
        place = max(range(len(drives)), key=lambda k: (worth(drives[k]), -k))
        here = drives[place]
        below = drives[place - 1] if place > 0 else here - 2.0 * max(3.0, drives[-1] - here)
        above = drives[place + 1] if place + 1 < len(drives) else highest
        sides = [settable(0.5 * (here + end)) for end in (below, above) if abs(end - here) > _GRAIN_DB]
        fresh = [drive for drive in sides if drive not in seen]
        if not fresh:
            break
        further = max(fresh, key=lambda drive: abs(drive - here))
        seen[further] = error_at(further)
    return max(seen, key=lambda drive: (worth(drive), -drive))
