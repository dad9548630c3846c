"""Samplers that are compared with those of a search, each as its library has it."""

from collections.abc import Callable, Sequence

import optuna

from autochain.config.coordinates import COORDINATES
from autochain.config.model import Coordinates, Ranges, Weights
from autochain.search.evaluator import Trial
from autochain.search.front import objectives

Values = Callable[[Trial], Sequence[float]]


class OutsideSampler:
    """A sampler of Optuna behind ask/tell; it is told the `values` of a trial, one or several, lower is better."""

    def __init__(self, ranges: Ranges, sampler: optuna.samplers.BaseSampler, values: Values, count: int = 1) -> None:
        optuna.logging.set_verbosity(optuna.logging.WARNING)
        self._values = values
        self._study = optuna.create_study(directions=["minimize"] * count, sampler=sampler)
        self._space = {
            c.name: optuna.distributions.FloatDistribution(*getattr(ranges, c.name), log=c.scale == "log")
            for c in COORDINATES
        }
        self._asked: list[optuna.trial.Trial] = []

    def ask(self, count: int) -> list[Coordinates]:
        self._asked = [self._study.ask(self._space) for _ in range(count)]
        return [Coordinates(**trial.params) for trial in self._asked]

    def tell(self, trials: Sequence[Trial]) -> None:
        for asked, trial in zip(self._asked, trials, strict=True):
            self._study.tell(asked, list(self._values(trial)))

    def known(self, point: Coordinates, trial: Trial) -> None:
        inside = {
            name: min(of.high, max(of.low, getattr(point, name))) for name, of in self._space.items()
        }
        values = list(self._values(trial))
        self._study.add_trial(optuna.trial.create_trial(params=inside, distributions=self._space, values=values))


def _score(trial: Trial) -> tuple[float]:
    return (trial.score,)


def random(ranges: Ranges, seed: int, weights: Weights) -> OutsideSampler:
    """Evenly drawn points."""
    return OutsideSampler(ranges, optuna.samplers.RandomSampler(seed=seed), _score)


def cma(ranges: Ranges, seed: int, weights: Weights) -> OutsideSampler:
    """CMA-ES of the package cmaes, as Optuna runs it."""
    return OutsideSampler(ranges, optuna.samplers.CmaEsSampler(seed=seed), _score)


def nsga(ranges: Ranges, seed: int, weights: Weights) -> OutsideSampler:
    """NSGA-II on distortion, openness and shift; a point that missed its target is worse than any that did not."""

    def values(trial: Trial) -> Sequence[float]:
        return objectives(trial.costs, weights) if trial.solution.met else (trial.score,) * 3

    sampler = optuna.samplers.NSGAIISampler(seed=seed, population_size=20)
    return OutsideSampler(ranges, sampler, values, count=3)
