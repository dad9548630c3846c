"""What blind choices tell of the weights of the score, in figures and in sentences."""

import math
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from statistics import NormalDist

import numpy as np

from autochain.config.model import Weights
from autochain.config.read import read_config
from autochain.search.costs import COST_NAMES, terms
from autochain.sheet.words import COSTS
from autochain.taste.choices import BlindChoice
from autochain.taste.fit import TERM_SD, Floats, fit
from autochain.units import number

# From fewer nothing is told. A limit of this project, as is what two versions have to differ by to count: the points by
# which they differ in all costs together. It is what the sheet calls a worsening (`search.sensitivity_score`).
LEAST_CHOICES = 20
LEAST_DIFFERENCE = 0.25
# In one cost, in the mean over the choices; what stages are left out for at the end of a search (`simpler_within`).
LEAST_COST_DIFFERENCE = 0.05
CERTAINTY = 0.95  # of every interval
LEAST_CHANGE = 0.05  # by which it has to leave out the default: on a sheet less is none. A limit of this project

# What somebody does who lets a cost grow.
_LET: Mapping[str, str] = {
    "added_distortion_nmr_db": "accept added distortion",
    "crest_loss_db": "give up crest",
    "onset_loss_db": "give up onsets",
    "asymmetry_reduction_db": "accept one-sided reduction",
    "gain_movement_db": "accept gain movement",
    "contrast_loss_lu": "give up contrast",
    "image_shift_db": "let the width move",
    "tilt_shift_db": "let the tilt move",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class WeightInterval:
    """How many times its default a weight is.

    Attributes
    ----------
    times
        As likely more as less.
    low, high
        Where it lies with a certainty of 95 %.
    compared
        Whether the versions differed in this cost; where not, this is what is held before any choice.
    """

    times: float
    low: float
    high: float
    compared: bool

    @property
    def told(self) -> bool:
        """Whether the default lies outside by 5 % or more."""
        return self.compared and (self.low >= 1.0 + LEAST_CHANGE or self.high <= 1.0 - LEAST_CHANGE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What choices tell.

    Attributes
    ----------
    count
        Choices between versions that differ; those between the same two versions count as one together.
    weights
        Those of the score. Where anything is told, all that were compared are those of the fit: what one weighs more,
        the others weigh less. Else they are the defaults.
    intervals
        By cost that is weighed; empty as long as there are too few choices.
    sentences
        The same in words, one for each thing told, or why nothing is.
    remarks
        What cannot be told, in words; often none.
    """

    count: int
    weights: Weights
    intervals: Mapping[str, WeightInterval]
    sentences: tuple[str, ...]
    remarks: tuple[str, ...] = ()

    @property
    def enough(self) -> bool:
        """Whether there are choices enough to tell anything from."""
        return self.count >= LEAST_CHOICES

    @property
    def costs(self) -> tuple[str, ...]:
        """Costs of which something is told."""
        return tuple(name for name, own in self.intervals.items() if own.told)


def told(choices: Sequence[BlindChoice]) -> Told:
    """Fit the weights of the score to choices, and say what they tell.

    Parameters
    ----------
    choices
        In any order.

    Returns
    -------
    The same for the same choices, to the last digit.
    """
    weights = default_weights()
    names = tuple(name for name in COST_NAMES if getattr(weights, name) > 0.0)
    points, worth = points_apart(choices, weights, names)
    count = round(worth.sum())
    if count < LEAST_CHOICES:
        return Told(count=count, weights=weights, intervals={}, sentences=(_too_few(count),))
    compared = worth @ np.abs(points) >= LEAST_COST_DIFFERENCE * count
    found = _intervals(points[:, compared], worth)
    own = iter(found)
    intervals = {name: next(own) if there else _held_before() for name, there in zip(names, compared, strict=True)}
    changed = {}
    if any(own.told for own in intervals.values()):
        fitted = {name: getattr(weights, name) * own.times for name, own in intervals.items() if own.compared}
        changed = {name: max(0.001, round(weight, 3)) for name, weight in fitted.items()}
    return Told(
        count=count,
        weights=weights.model_copy(update=changed),
        intervals=intervals,
        sentences=tuple(_sentences(intervals, count)),
        remarks=tuple(_remarks(intervals)),
    )


@cache
def default_weights() -> Weights:
    """The weights of the packaged configuration."""
    return read_config().weights


def points_apart(
    choices: Sequence[BlindChoice], weights: Weights, names: Sequence[str]
) -> tuple[Floats, Floats]:
    """Points of score that the chosen version has over the other, and how much each choice counts.

    The first of shape (choices that count, costs). Whoever likes a version for what no cost measures likes it each
    time: choices between the same two versions of a mix share what one choice is worth.
    """
    rows, pairs = [], []
    for choice in choices:
        taken, left = (terms(version.costs, weights) for version in (choice.taken, choice.left))
        row = [taken[name] - left[name] for name in names]
        if sum(map(abs, row)) >= LEAST_DIFFERENCE:
            rows.append(row)
            both = (tuple(version.costs.as_dict().values()) for version in (choice.first, choice.second))
            pairs.append((choice.mix_sha256, frozenset(both)))
    times = Counter(pairs)
    worth = np.array([1.0 / times[pair] for pair in pairs], dtype=np.float64)
    return np.array(rows, dtype=np.float64).reshape(len(rows), len(names)), worth


def _intervals(points: Floats, worth: Floats) -> list[WeightInterval]:
    terms_compared = points.shape[1]
    if terms_compared < 2:  # which has nothing to be weighed against
        return [replace(_held_before(), compared=True)] * terms_compared
    posterior = fit(points, worth=worth)
    found = []
    for term in range(terms_compared):
        marginal = posterior.marginal(term)
        low, times, high = (
            math.exp(marginal.quantile(share)) for share in (0.5 - 0.5 * CERTAINTY, 0.5, 0.5 + 0.5 * CERTAINTY)
        )
        found.append(WeightInterval(times=times, low=low, high=high, compared=True))
    return found


def _held_before() -> WeightInterval:
    far = math.exp(NormalDist(sigma=TERM_SD).inv_cdf(0.5 + 0.5 * CERTAINTY))
    return WeightInterval(times=1.0, low=1.0 / far, high=far, compared=False)


def _too_few(count: int) -> str:
    there = "There is 1 choice" if count == 1 else f"There are {count or 'no'} choices"
    return f"{there} between versions that differ. From fewer than {LEAST_CHOICES} nothing is told."


def _sentences(intervals: Mapping[str, WeightInterval], count: int) -> list[str]:
    found = {name: own for name, own in intervals.items() if own.told}
    said = []
    more = sorted((name for name in found if found[name].times > 1.0), key=lambda name: -found[name].times)
    less = sorted((name for name in found if found[name].times < 1.0), key=lambda name: found[name].times)
    if more and less:
        said.append(f"You {_LET[less[0]]} before you {_LET[more[0]]}.")
    for name in (*more, *less):
        own = found[name]
        label = _label(name)
        said.append(
            f"{label[0].upper()}{label[1:]} weighs {_times(own.times)} times what it does by default, "
            f"{_times(own.low)} to {_times(own.high)}, from {count} choices."
        )
    return said or [f"Nothing is told yet: {count} choices set no weight apart from its default."]


def _remarks(intervals: Mapping[str, WeightInterval]) -> Iterator[str]:
    moved = [_label(name) for name, own in intervals.items() if own.compared and not own.told]
    if moved and any(own.told for own in intervals.values()):
        yield f"The weights of {_listed(moved)} move too, and not for certain."
    apart = [_label(name) for name, own in intervals.items() if not own.compared]
    if apart:
        yield f"The versions differed too little in {_listed(apart)} to tell anything of it."


def _label(name: str) -> str:
    """What the sheet calls a cost."""
    return COSTS[name][0].strip()


def _times(value: float) -> str:
    return number(value, decimals=1 if value >= 1.0 else 2)


def _listed(words: Sequence[str]) -> str:
    return " and ".join(filter(None, (", ".join(words[:-1]), words[-1])))
