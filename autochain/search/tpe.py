"""Optuna's TPE sampler behind ask/tell."""

from collections.abc import Sequence

import optuna

from autochain.config.coordinates import COORDINATES
from autochain.config.model import Coordinates, Ranges


def _distribution(span: tuple[float, float], *, log: bool) -> optuna.distributions.FloatDistribution:
    return optuna.distributions.FloatDistribution(low=span[0], high=span[1], log=log)


class TpeSampler:
    """Multivariate tree-structured Parzen estimator (Optuna's default sampler for one objective).

    Parameters
    ----------
    ranges
        Where it may go; time constants on log scales.
    seed
        Seed of the sampler: the same seed and scores give the same points.
    startup
        Points known or drawn at random before the model is used.
    """

    def __init__(self, ranges: Ranges, seed: int, startup: int) -> None:
        sampler = optuna.samplers.TPESampler(seed=seed, n_startup_trials=startup, multivariate=True)
        loud = optuna.logging.get_verbosity()
        optuna.logging.set_verbosity(optuna.logging.WARNING)  # a new study would be announced on stderr
        self._study = optuna.create_study(direction="minimize", sampler=sampler)
        optuna.logging.set_verbosity(loud)
        self._space: dict[str, optuna.distributions.BaseDistribution] = {
            c.name: _distribution(getattr(ranges, c.name), log=c.scale == "log") for c in COORDINATES
        }
        self._asked: list[optuna.trial.Trial] = []

    def ask(self, count: int) -> list[Coordinates]:
        """Return `count` points."""
        self._asked = [self._study.ask(self._space) for _ in range(count)]
        return [Coordinates(**trial.params) for trial in self._asked]

    def tell(self, scores: Sequence[float]) -> None:
        """Take their scores, in the order asked."""
        for trial, score in zip(self._asked, scores, strict=True):
            self._study.tell(trial, score)
        self._asked = []

    def known(self, point: Coordinates, score: float) -> None:
        """Teach the model a point, clamped into the ranges."""
        inside = {}
        for name, distribution in self._space.items():
            assert isinstance(distribution, optuna.distributions.FloatDistribution)
            inside[name] = min(distribution.high, max(distribution.low, getattr(point, name)))
        self._study.add_trial(
            optuna.trial.create_trial(params=inside, distributions=self._space, values=[score]),
        )
