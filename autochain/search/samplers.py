"""Samplers by the names that a configuration uses."""

import difflib

from autochain.config.model import SAMPLERS, Ranges
from autochain.errors import ConfigError
from autochain.search.optimiser import Optimiser


def make_sampler(name: str, ranges: Ranges, seed: int, startup: int) -> Optimiser:
    """Make a sampler.

    Parameters
    ----------
    name
        One of `SAMPLERS`.
    ranges
        Where it may go.
    seed
        Seed of its draws.
    startup
        Points known or drawn at random before it models the score or breeds; `cma` and `random` need none.

    Raises
    ------
    ConfigError
        No sampler of that name.
    """
    # Each library is loaded only where it is used: Optuna alone takes a second.
    if name == "tpe":
        from autochain.search.with_optuna import TpeOptimiser

        return TpeOptimiser(ranges, seed, startup)
    if name == "cma":
        from autochain.search.with_cma import CmaOptimiser

        return CmaOptimiser(ranges, seed)
    if name == "nsga":
        from autochain.search.with_nsga import NsgaOptimiser

        return NsgaOptimiser(ranges, seed, startup)
    if name == "random":
        from autochain.search.with_random import RandomOptimiser

        return RandomOptimiser(ranges, seed)
    near = difflib.get_close_matches(name, SAMPLERS, n=1)
    hint = f"Did you mean {near[0]}?" if near else f"Samplers are {', '.join(SAMPLERS)}."
    raise ConfigError(f"search.sampler is {name!r}, which is no sampler. {hint}")
