"""What a result depends on, as plain values: the same request gives the same bytes."""

import hashlib
import json
import platform
from collections.abc import Sequence
from functools import cache
from importlib.metadata import version
from typing import Any

import autochain
from autochain.config.model import Config
from autochain.search.around import Around
from autochain.solve.decisions import Decisions

# Libraries whose version can change a number.
_LIBRARIES = ("numpy", "scipy", "numba", "soundfile", "optuna", "cmaes", "joblib")


@cache
def _versions() -> dict[str, str]:  # looked up once: ten milliseconds
    return {
        "autochain": autochain.__version__,
        "python": platform.python_version(),
        **{name: version(name) for name in _LIBRARIES},
    }


def versions() -> dict[str, str]:
    """Versions of the program, of Python and of the libraries that can change a number."""
    return dict(_versions())


def config_sha256(config: Config) -> str:
    """Hash of a complete configuration."""
    canonical = json.dumps(config.model_dump(mode="json"), sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(canonical.encode()).hexdigest()


def flat_locks(decisions: Decisions) -> dict[str, float]:
    """Locks by `stage.parameter`, in alphabetical order."""
    locks = decisions.locks
    return {f"{stage}.{name}": value for stage in sorted(locks) for name, value in sorted(locks[stage].items())}


def request_of(
    mix_sha256: str,
    config: Config,
    decisions: Decisions,
    around: Around | None = None,
    references: Sequence[str] = (),
) -> dict[str, Any]:
    """Everything that a search depends on; what a person would look at first comes first.

    `mix_sha256` is the hash of the mix's file, `references` are those of the reference songs.
    """
    return {
        "mix": mix_sha256,
        "target": config.target.model_dump(mode="json"),
        "budget": config.search.budget,
        "seed": config.search.seed,
        "locks": flat_locks(decisions),
        "sheet": None if around is None else around.sheet.sha256,
        "stages_left_out": sorted(decisions.without),
        "references": sorted(references),
        "configuration": config_sha256(config),
        "versions": versions(),
    }
