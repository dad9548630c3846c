"""Optuna's TPE sampler behind ask/tell."""

from collections.abc import Sequence

import optuna

from autochain.config.model import Coordinates, Ranges
from autochain.search.space import LOG_COORDINATES


def _distribution(span: tuple[float, float], *, log: bool) -> optuna.distributions.FloatDistribution:
    return optuna.distributions.FloatDistribution(low=span[0], high=span[1], log=log)


class TpeOptimiser:
    """Multivariate tree-structured Parzen estimator (Optuna's default sampler for one objective).

    Parameters
    ----------
    ranges
        Where it may go; time constants on log scales.
    seed
        Seed of the sampler: the same seed and scores give the same points.
    startup
        Points told or drawn at random before the model is used.
    """

    def __init__(self, ranges: Ranges, seed: int, startup: int) -> None:
        optuna.logging.set_verbosity(optuna.logging.WARNING)
        sampler = optuna.samplers.TPESampler(seed=seed, n_startup_trials=startup, multivariate=True)
        self._study = optuna.create_study(direction="minimize", sampler=sampler)
        self._space: dict[str, optuna.distributions.BaseDistribution] = {
            name: _distribution(getattr(ranges, name), log=name in LOG_COORDINATES)
            for name in Coordinates.model_fields
        }
        self._asked: list[optuna.trial.Trial] = []

    def known(self, coordinates: Coordinates, value: float) -> None:
        """Teach a point that was evaluated without being asked for, clamped into the ranges."""
        inside = {}
        for name, distribution in self._space.items():
            assert isinstance(distribution, optuna.distributions.FloatDistribution)
            inside[name] = min(distribution.high, max(distribution.low, getattr(coordinates, name)))
        self._study.add_trial(
            optuna.trial.create_trial(params=inside, distributions=self._space, values=[value]),
        )

    def ask(self, count: int) -> list[Coordinates]:
        """Return `count` points."""
        self._asked = [self._study.ask(self._space) for _ in range(count)]
        return [Coordinates(**trial.params) for trial in self._asked]

    def tell(self, scores: Sequence[float]) -> None:
        """Take their scores, in the order asked."""
        for trial, value in zip(self._asked, scores, strict=True):
            self._study.tell(trial, value)
        self._asked = []
