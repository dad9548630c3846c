"""What a curve says in sentences, and the figures of its knee."""

import math

from autochain.curve.knee import LEAST_POINTS, find_knee, slopes_at
from autochain.curve.monotone import TOLERANCE
from autochain.curve.point import Curve
from autochain.search.costs import priced_db
from autochain.units import number

METHOD = (
    "The knee is where two joined straight lines fit the scores best; in brackets: its range when one end point is "
    "dropped. Where a smooth curve fits about as well, the score rises gradually and no knee is marked."
)
NO_ADVICE = "The score weighs costs as configured. A knee is no advice: the loudness you want may be another."


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
    """Sentences: knee, free range, loudest reached; the first one is what to remember."""
    if curve.ended:
        return [_ended(curve), *_of_reach(curve)]
    return _of_reach(curve)


def _ended(curve: Curve) -> str:
    if curve.left_lufs:
        left = ", ".join(number(lufs, "LUFS") for lufs in curve.left_lufs)
        return f"Stopped before these were searched: {left}. Nothing was rendered to be held beside the points."
    return "Stopped when all loudnesses were found, before a limiter alone and the trade default were held beside them."


def _of_reach(curve: Curve) -> list[str]:
    few = curve.ended and len(curve.searched) < LEAST_POINTS  # it is said already that some are missing
    sentences = [] if few else _of_knee(curve)
    free = [p.target_lufs for p in curve.reached if p.by_gain]
    if free:
        sentences.append(f"Up to {number(max(free), 'LUFS')} a gain alone is enough and nothing is lost.")
    missed = sorted([p.target_lufs for p in curve.points if not p.met] + list(curve.not_tried_lufs))
    if not curve.reached:
        return [
            f"None of these loudnesses is reached under the ceiling{_nearest(curve)}. Each point's sheet says what "
            f"prevents it."
        ]
    if missed:
        loudest = max(p.target_lufs for p in curve.reached)
        sentences += [
            f"The loudest reached within the configured ranges is {number(loudest, 'LUFS')}{_nearest(curve)}.",
            f"Not reached: {', '.join(number(target, 'LUFS') for target in missed)}.",
        ]
    return sentences


def _nearest(curve: Curve) -> str:
    heard = [p.chosen.after.integrated_lufs for p in curve.points if not p.met]
    reached = max((p.target_lufs for p in curve.reached), default=-math.inf)
    got = [lufs for lufs in heard if lufs is not None and lufs > reached]
    return f"; attempts at more ended at {number(max(got), 'LUFS')}" if got else ""


def _of_knee(curve: Curve) -> list[str]:
    points, knee = curve.searched, knee_of(curve)
    if knee is not None:
        within = ""
        if knee["high_lufs"] - knee["low_lufs"] >= 0.1:
            within = f" (between {number(knee['low_lufs'])} and {number(knee['high_lufs'])})"
        at, (below, above) = number(knee["lufs"], "LUFS"), (
            f"{_slope(knee[f'crest_db_{side}'])} of crest and {number(knee[f'score_{side}'])} points of score"
            for side in ("below", "above")
        )
        if knee["corner"]:
            first = f"Up to about {at}{within} each LU costs {below}; above it {above}."
        else:
            first = f"The score rises gradually, without a knee: below {at} each LU costs {below}, above it {above}."
        distortion = [_slope(knee[f"distortion_db_{side}"]) for side in ("below", "above")]
        return [
            first,
            f"Added distortion per LU, as the score counts it: {distortion[0]} below, {distortion[1]} above.",
        ]
    if len(points) >= LEAST_POINTS:
        quiet, loud = points[0], points[-1]
        rise = (loud.chosen.score - quiet.chosen.score) / (loud.target_lufs - quiet.target_lufs)
        return [
            f"No clear knee: from {number(quiet.target_lufs)} to {number(loud.target_lufs, 'LUFS')} each LU costs "
            f"about {number(rise)} points of score."
        ]
    return [
        f"No knee: that takes {LEAST_POINTS} points that need more than a gain, and there are {len(points)}. Take a "
        "wider range of loudness, or a smaller step."
    ]


def _slope(db_per_lu: float) -> str:
    """What one LU costs; a little is said to be little."""
    return "under 0.1 dB" if abs(db_per_lu) < 0.05 else number(db_per_lu, "dB")


def monotone_text(curve: Curve) -> str:
    """Whether the scores rise from point to point."""
    if not curve.not_monotone_found:
        return f"No point scored over {number(TOLERANCE)} worse than the next louder one."
    taken = sum(p.taken_from_lufs is not None for p in curve.points)
    return (
        f"A point should not score worse than the next louder one. By over {number(TOLERANCE)} it did "
        f"{curve.not_monotone_found} times; {taken} of these points now have the louder point's settings at lower "
        f"drive."
    )
