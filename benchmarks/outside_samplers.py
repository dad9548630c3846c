"""Samplers that the search's own is compared with, each as its library has it."""

from collections.abc import Sequence

import optuna

from autochain.config.coordinates import COORDINATES
from autochain.config.model import Coordinates, Ranges


class OutsideSampler:
    """A sampler of Optuna with the calls of the search's own."""

    def __init__(self, ranges: Ranges, sampler: optuna.samplers.BaseSampler) -> None:
        optuna.logging.set_verbosity(optuna.logging.WARNING)
        self._study = optuna.create_study(direction="minimize", sampler=sampler)
        self._space = {
            c.name: optuna.distributions.FloatDistribution(low, high, log=c.scale == "log")
            for c in COORDINATES
            for low, high in [getattr(ranges, c.name)]
        }
        self._asked: list[optuna.trial.Trial] = []

    def ask(self, count: int) -> list[Coordinates]:
        self._asked = [self._study.ask({**self._space}) for _ in range(count)]
        return [Coordinates(**trial.params) for trial in self._asked]

    def tell(self, scores: Sequence[float]) -> None:
        for asked, score in zip(self._asked, scores, strict=True):
            self._study.tell(asked, score)

    def known(self, point: Coordinates, score: float) -> None:
        inside = {name: min(of.high, max(of.low, getattr(point, name))) for name, of in self._space.items()}
        self._study.add_trial(optuna.trial.create_trial(params=inside, distributions={**self._space}, values=[score]))


def random(ranges: Ranges, seed: int) -> OutsideSampler:
    """Evenly drawn points."""
    return OutsideSampler(ranges, optuna.samplers.RandomSampler(seed=seed))


def tpe(ranges: Ranges, seed: int) -> OutsideSampler:
    """The multivariate tree-structured Parzen estimator."""
    sampler = optuna.samplers.TPESampler(seed=seed, n_startup_trials=24, multivariate=True)
    return OutsideSampler(ranges, sampler)


def cma(ranges: Ranges, seed: int) -> OutsideSampler:
    """CMA-ES of the package cmaes, as Optuna runs it."""
    return OutsideSampler(ranges, optuna.samplers.CmaEsSampler(seed=seed))
