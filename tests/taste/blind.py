"""Choices for tests: what two versions cost at random, and a listener with known weights between them."""

from collections.abc import Mapping
from datetime import date

import numpy as np
import scipy.special

from autochain.search.costs import NO_COSTS, score
from autochain.taste import BlindChoice, BlindVersion
from autochain.taste.told import default_weights

# What versions of one song differ by, as a standard deviation (benchmarks/results/spread.md, rounded).
SPREAD = {
    "added_distortion_nmr_db": 5.0,
    "crest_loss_db": 0.3,
    "onset_loss_db": 0.4,
    "asymmetry_reduction_db": 0.5,
    "gain_movement_db": 0.4,
    "contrast_loss_lu": 1.0,
}


def version(name: str, **costs: float) -> BlindVersion:
    return BlindVersion.of(name, type(NO_COSTS)(**{**NO_COSTS.as_dict(), **costs}))


def choice(first: BlindVersion, second: BlindVersion, chosen: str = "first", mix: str = "a", **more) -> BlindChoice:
    return BlindChoice(
        day=date(2026, 11, 30), mix_sha256=mix * 64, first=first, second=second, chosen=chosen, **more
    )


def choices_of(times: Mapping[str, float], count: int, seed: int = 1, *, coin: bool = False) -> list[BlindChoice]:
    """Choices of a listener whose weights are so many times the defaults."""
    rng, default = np.random.default_rng(seed), default_weights()
    weights = default.model_copy(update={name: getattr(default, name) * by for name, by in times.items()})
    found = []
    for _ in range(count):
        first, second = (
            version(
                name,
                **{
                    cost: round(-15.0 + spread * rng.normal(), 3)
                    if cost.endswith("nmr_db")
                    else round(abs(spread * rng.normal()), 3)
                    for cost, spread in SPREAD.items()
                },
            )
            for name in ("one", "other")
        )
        apart = score(second.costs, weights) - score(first.costs, weights)
        better = rng.random() < (0.5 if coin else scipy.special.expit(apart))
        found.append(choice(first, second, "first" if better else "second"))
    return found
