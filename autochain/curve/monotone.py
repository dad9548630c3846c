"""Points that cost more than the next louder one, and their cure.

More loudness cannot cost less by itself: whoever has a louder master's settings may drive them less. Where a search
ended above that, the louder point's settings are taken.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import pairwise

from autochain.config.model import Target
from autochain.curve.point import Curve, Point
from autochain.curve.targets import loudness_name
from autochain.search.run import ReadySearch
from autochain.search.verify import SUGGESTION, Contender
from autochain.solve.solved import Guess

# Points of score by which a point may cost more than its louder neighbour. A tenth is under what an ear or a meter
# tells, and under what two seeds differ by on one mix.
TOLERANCE = 0.1


def make_monotone(
    ready: ReadySearch, target_at: Callable[[float], Target], points: Sequence[Point]
) -> tuple[list[Point], int]:
    """Points that cost no more than louder ones, as far as that cures them, and how many did; from loud to quiet.

    Parameters
    ----------
    ready
        Verifies settings on the whole song.
    target_at
        Target of a loudness in LUFS.
    points
        From quiet to loud.
    """
    points, count = list(points), 0
    for k in range(len(points) - 2, -1, -1):
        point, louder = points[k], points[k + 1]
        if point.by_gain or not louder.met:
            continue
        if point.met and point.chosen.score <= louder.chosen.score + TOLERANCE:
            continue
        count += 1
        driven_less = Contender(
            name=SUGGESTION,
            settings=louder.chosen.settings,
            target=target_at(point.target_lufs),
            decisions=ready.binding.searched,
            guess=Guess(),
        )
        (less,) = ready.verified([driven_less], carefully=True)
        if less.met and (not point.met or less.score < point.chosen.score):
            stats = replace(
                point.found.stats,
                coordinates=louder.found.stats.coordinates,
                chosen_from=f"the settings of {loudness_name(louder.target_lufs)} LUFS, driven less",
            )
            chosen, _ = ready.finished(less, driven_less.target)
            found = replace(point.found, chosen=chosen, stats=stats)
            points[k] = replace(point, found=found, taken_from_lufs=louder.target_lufs)
    return points, count


def not_monotone(curve: Curve) -> list[float]:
    """Loudnesses that still cost more than the next louder one by over the tolerance."""
    return [a.target_lufs for a, b in pairwise(curve.reached) if a.chosen.score > b.chosen.score + TOLERANCE]
