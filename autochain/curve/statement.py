"""What a curve says, in sentences; the only file of the package with words about its result."""

import math

from autochain.curve.dents import TOLERANCE
from autochain.curve.knee import LEAST_POINTS, find_knee, slopes_at
from autochain.curve.point import Curve
from autochain.search.costs import priced_db
from autochain.units import number

METHOD = (
    "The knee is where two joined straight lines fit the scores best; in brackets: its range when one end point is "
    "dropped. Where a smooth curve fits about as well, the score is said to bend gradually."
)
NO_ADVICE = "Scores weigh costs as the configuration says; a knee is no advice, and taste may lie elsewhere."


def knee_of(curve: Curve) -> dict[str, float] | None:
    """The knee of the scores over the points that were searched, and the slopes of score and crest on either side.

    Loudness in LUFS, slopes per LU; `corner` is false where the scores bend gradually. None where there is none.
    """
    points = curve.searched
    at = [p.target_lufs for p in points]
    knee = find_knee(at, [p.chosen.score for p in points])
    if knee is None:
        return None
    crest = slopes_at(at, [p.chosen.costs.crest_loss_db for p in points], knee.at)
    noise = slopes_at(at, [priced_db(p.chosen.costs)["added_distortion_nmr_db"] for p in points], knee.at)
    return {
        "lufs": knee.at,
        "low_lufs": knee.low,
        "high_lufs": knee.high,
        "furthest_from_chord_lufs": knee.chord_at,
        "corner": knee.corner,
        "score_below": knee.below,
        "score_above": knee.above,
        "crest_db_below": crest[0],
        "crest_db_above": crest[1],
        "distortion_db_below": noise[0],
        "distortion_db_above": noise[1],
    }


def statement(curve: Curve) -> list[str]:
    """Sentences: free range, knee, loudest reached; the first one is what to remember."""
    said = [_of_knee(curve)]
    free = [p.target_lufs for p in curve.reached if p.by_gain]
    if free:
        said.append(f"Up to {number(max(free), 'LUFS')} a gain alone is enough and nothing is lost.")
    missed = [p for p in curve.points if not p.met]
    if curve.reached:
        loudest = max(p.target_lufs for p in curve.reached)
        if missed or curve.not_tried_lufs:
            said.append(
                f"The loudest reached inside the configured ranges is {number(loudest, 'LUFS')}{_nearest(curve)}."
            )
            said += [f"Not reached: {', '.join(number(t, 'LUFS') for t in _out_of_reach(curve))}."]
    else:
        said = [
            f"None of these loudnesses is reached under the ceiling{_nearest(curve)}. "
            f"Each point's sheet tells what stands in the way."
        ]
    return said


def _out_of_reach(curve: Curve) -> list[float]:
    return sorted([p.target_lufs for p in curve.points if not p.met] + list(curve.not_tried_lufs))


def _nearest(curve: Curve) -> str:
    heard = [p.chosen.after.integrated_lufs for p in curve.points if not p.met]
    reached = max((p.target_lufs for p in curve.reached), default=-math.inf)
    got = [lufs for lufs in heard if lufs is not None and lufs > reached]
    return f"; what was tried beyond came to {number(max(got), 'LUFS')}" if got else ""


def _of_knee(curve: Curve) -> str:
    points, knee = curve.searched, knee_of(curve)
    if knee is not None:
        within = ""
        if knee["high_lufs"] - knee["low_lufs"] >= 0.1:
            within = f" (between {number(knee['low_lufs'])} and {number(knee['high_lufs'])})"
        slopes = [
            f"{_slope(knee[f'crest_db_{side}'])} of crest, {_slope(knee[f'distortion_db_{side}'])} of added distortion "
            f"as the score counts it and {number(knee[f'score_{side}'])} points of score"
            for side in ("below", "above")
        ]
        if not knee["corner"]:
            return (
                f"The score bends gradually, with no corner: below {number(knee['lufs'], 'LUFS')} each LU costs on "
                f"average {slopes[0]}; above it {slopes[1]}."
            )
        return f"Up to about {number(knee['lufs'], 'LUFS')}{within} each LU costs {slopes[0]}; beyond it {slopes[1]}."
    if len(points) >= LEAST_POINTS:
        first, last = points[0], points[-1]
        rise = (last.chosen.score - first.chosen.score) / (last.target_lufs - first.target_lufs)
        return (
            f"No clear knee: from {number(first.target_lufs)} to {number(last.target_lufs, 'LUFS')} each LU costs "
            f"about {number(rise)} points of score."
        )
    return (
        f"Too few points for a knee: {len(points)} that needed more than a gain, {LEAST_POINTS} or more are needed. "
        f"Ask for a wider range or a smaller --step."
    )


def _slope(db_per_lu: float) -> str:
    """What one LU costs; a little is said to be little."""
    return "under 0.1 dB" if abs(db_per_lu) < 0.05 else number(db_per_lu, "dB")


def dents_text(curve: Curve) -> str:
    """How even the curve is."""
    taken = sum(p.taken_from_lufs is not None for p in curve.points)
    return (
        f"A point that scores over {number(TOLERANCE)} worse than its louder neighbour is a dent: {curve.dents} found, "
        f"{taken} replaced by that neighbour at lower drive."
    )
