"""How much each setting matters, and how far it may move: from fresh renders, with the drive solved anew each time.

What is moved is one setting as a hand moves it, all others staying as printed, the drive brought back to the
loudness. First every free setting by a hand's step to either side; then, for the few that matter most, each side
is followed until the score has worsened by a stated amount. An end that is reported has been rendered itself, so
it holds; between rendered points the score is taken to rise evenly.
"""

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Protocol, TypeVar

from autochain.chain.chain import ChainPlan
from autochain.chain.parameter import Parameter
from autochain.chain.settings import ChainSettings, StageName
from autochain.config.coordinates import COORDINATES, Place
from autochain.config.model import Ranges

MOST_SHOWN = 3
MOST_A_SIDE = 4  # chains that are judged to follow one side
# Of the stated worsening: an end that is nearer to it is not looked for, since a score is known to a tenth of it.
NEARLY = 0.85
# A hand's step: one octave of a time, a tenth of a percentage, one decibel of a level.
_OCTAVE, _DECIBEL, _TENTH = 2.0, 1.0, 0.1
_FAR = 1000.0  # of them lead to the end of any range

_T = TypeVar("_T")


# Score of complete settings from a fresh render, whatever drive is in them; safe in several threads.
Judge = Callable[[ChainSettings], float]


class InParallel(Protocol):
    """Makes calls at the same time."""

    def __call__(self, calls: Iterable[Callable[[], _T]]) -> list[_T]:
        """Their results, in the order given."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Knob:
    """A free setting: where it stands, and the range it may be moved in."""

    stage: StageName
    parameter: Parameter
    value: float
    low: float
    high: float

    @property
    def name(self) -> Place:
        """Stage and parameter."""
        return self.stage, self.parameter.name

    @property
    def in_octaves(self) -> bool:
        """Whether it is a time, which a hand moves by ratios."""
        return self.parameter.unit == "ms"

    def at(self, steps: float) -> float:
        """Value so many hand's steps away, inside the range, at what a hand can set on the near side."""
        value = self.value * _OCTAVE**steps if self.in_octaves else self.value + steps * self._step
        value = min(self.high, max(self.low, value))
        settable = self.parameter.rounded(value)
        if abs(settable - self.value) > abs(value - self.value) + 1e-9:  # rounded away from where it stands
            settable = self.parameter.rounded(value - math.copysign(self._grain(value), steps))
        return settable

    def steps(self, value: float) -> float:
        """Hand's steps from where it stands; inverse of `at`."""
        return math.log(value / self.value, _OCTAVE) if self.in_octaves else (value - self.value) / self._step

    def moved(self, settings: ChainSettings, value: float) -> ChainSettings:
        """The chain with this one setting at another value."""
        return settings.with_(self.stage, {self.parameter.name: value})

    @property
    def _step(self) -> float:
        decibels = self.parameter.unit.startswith("dB")
        return _DECIBEL if decibels else _TENTH * (self.parameter.high - self.parameter.low)

    def _grain(self, value: float) -> float:
        if self.parameter.scale == "log":
            return max(self.parameter.step, 10.0 ** (math.floor(math.log10(value)) - 1))
        return self.parameter.step


@dataclass(frozen=True, slots=True, kw_only=True)
class Sensitivity:
    """How much one setting matters.

    Attributes
    ----------
    stage, parameter, value
        Which setting, and where it stands.
    step_to, score_change
        The worse of its two neighbours a hand's step away, and how much the score worsens there.
    low, high
        How far it may move before the score worsens by the stated amount; None where it may move to the end of its
        range.
    """

    stage: StageName
    parameter: str
    value: float
    step_to: float
    score_change: float
    low: float | None
    high: float | None


def free_knobs(
    settings: ChainSettings, locks: ChainSettings, ranges: Ranges, chain: ChainPlan
) -> list[Knob]:
    """Settings that the search has chosen and nobody has locked, in chain order, with the ranges of the search."""
    searched = {c.place: c for c in COORDINATES}
    knobs = []
    for stage, own in settings.items():
        for name in own:
            if (stage, name) not in searched or (stage, name) in locks:
                continue
            value, parameter, coordinate = own[name], chain.stages[stage].parameter(name), searched[stage, name]
            low, high = parameter.low, parameter.high
            if not coordinate.solves:
                low, high = getattr(ranges, coordinate.name)
            # A baseline or a lock of another setting may stand outside what the search would try.
            knobs.append(
                Knob(stage=stage, parameter=parameter, value=value, low=min(low, value), high=max(high, value))
            )
    return knobs


def sensitivity(
    judge: Judge,
    settings: ChainSettings,
    knobs: Sequence[Knob],
    worse_by: float,
    most_trials: int,
    in_parallel: InParallel,
) -> tuple[Sensitivity, ...]:
    """The settings that matter most, the most important first; at most three.

    Parameters
    ----------
    judge
        Judges a chain.
    settings
        The chain.
    knobs
        What may be moved.
    worse_by
        Worsening of the score that ends a range.
    most_trials
        Most calls of `judge`; nothing is said when they do not suffice for a step of every knob to both sides.
    in_parallel
        Makes calls at the same time; changes nothing but time.
    """
    sides = [(knob, side) for knob in knobs for side in (-1.0, 1.0)]
    moves = [(knob, side) for knob, side in sides if knob.at(side) != knob.value]
    if not moves or 1 + len(moves) > most_trials:
        return ()

    def at(knob: Knob, value: float) -> float:
        return judge(knob.moved(settings, value))

    stays, *moved = in_parallel([partial(judge, settings), *(partial(at, k, k.at(side)) for k, side in moves)])
    change = {(k.name, side): judged - stays for (k, side), judged in zip(moves, moved, strict=True)}

    def worst(knob: Knob) -> tuple[float, float]:
        """How much the score worsens a step away, on the worse side, and which side that is."""
        return max((worse, side) for (name, side), worse in change.items() if name == knob.name)

    movable = {name for name, _ in change}
    shown = sorted((k for k in knobs if k.name in movable), key=lambda k: -worst(k)[0])[:MOST_SHOWN]
    renders = min(MOST_A_SIDE, (most_trials - 1 - len(moves)) // (2 * len(shown)))

    def end(knob: Knob, side: float) -> float | None:
        if (knob.name, side) not in change:
            return None
        return _end(lambda value: at(knob, value) - stays, knob, side, change[knob.name, side], worse_by, renders)

    ends = in_parallel(partial(end, knob, side) for knob in shown for side in (-1.0, 1.0))
    found = []
    for knob, low, high in zip(shown, ends[::2], ends[1::2], strict=True):
        worse, side = worst(knob)
        found.append(
            Sensitivity(
                stage=knob.stage,
                parameter=knob.parameter.name,
                value=knob.value,
                step_to=knob.at(side),
                score_change=worse,
                low=low,
                high=high,
            )
        )
    return tuple(found)


def _end(
    change_at: Callable[[float], float], knob: Knob, side: float, first: float, worse_by: float, renders: int
) -> float | None:
    """Furthest rendered value on one side at which the score has not worsened by more; None at the range's end.

    A bracket whose inside is guessed from a power law through its ends (a bowl is one with exponent 2), so that a
    few renders do.
    """
    last = knob.at(side * _FAR)
    good, good_change = knob.value, 0.0
    bad, bad_change = None, 0.0
    value, change = knob.at(side), first
    aimed = 0.5 * (1.0 + NEARLY) * worse_by
    while True:
        if change <= worse_by:
            good, good_change = value, change
        else:
            bad, bad_change = value, change
        if good == last:
            return None
        if renders == 0 or good_change >= NEARLY * worse_by:
            return good
        reach = abs(knob.steps(good))
        if bad is None:
            guess = _outside(reach, good_change, aimed)
        else:
            guess = _inside(reach, good_change, abs(knob.steps(bad)), bad_change, aimed)
        value = knob.at(side * guess)
        if value in (good, bad):
            return good
        change = change_at(value)
        renders -= 1


def _outside(good: float, change: float, worse_by: float) -> float:
    """Where the score will have worsened by so much, as a bowl through the last point says: 1.3 to 4 times as far."""
    return good * min(4.0, max(1.3, math.sqrt(worse_by / change))) if change > 0.0 else 4.0 * good


def _inside(good: float, good_change: float, bad: float, bad_change: float, worse_by: float) -> float:
    """Where between the two the score will have worsened by so much, off the ends by a tenth."""
    if good == 0.0:
        guess = bad * math.sqrt(worse_by / bad_change)
    elif good_change > 0.0:
        power = math.log(bad_change / good_change) / math.log(bad / good)
        guess = good * (worse_by / good_change) ** (1.0 / power)
    else:
        guess = good + (bad - good) * (worse_by - good_change) / (bad_change - good_change)
    margin = 0.1 * (bad - good)
    return min(bad - margin, max(good + margin, guess))
