"""What a search is asked, and how it is run: the same request gives the same bytes, however it is run."""

import hashlib
import json
import platform
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from functools import cache
from importlib.metadata import version
from typing import TYPE_CHECKING, Any, TypeVar

import autochain
from autochain.audio.mix import Mix
from autochain.chain.settings import ChainSettings, Value
from autochain.config.model import Config
from autochain.earlier.around import Around
from autochain.prepare.references import Reference
from autochain.progress import Progress, Stop, silent
from autochain.search.journal import Journal
from autochain.search.seen import SeenMix
from autochain.solve.decisions import Decisions
from autochain.threads import begun, in_threads

if TYPE_CHECKING:  # what fits and draws is loaded where there is a tool
    from autochain.tool.tool import Tool

_T = TypeVar("_T")

# Libraries whose version can change a number.
_LIBRARIES = ("numpy", "scipy", "numba", "soundfile")


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
    """Hash of a complete configuration; what its tools hold a search to stands in its chain, and no folder does."""
    # Weights that were learned came later than sheets that have such a hash.
    left_out = {"tools", "learned"} if config.learned is None else {"tools"}
    canonical = json.dumps(config.model_dump(mode="json", exclude=left_out), sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(canonical.encode()).hexdigest()


def flat_locks(decisions: Decisions) -> dict[str, Value]:
    """Locks by `stage.parameter`, in alphabetical order."""
    return dict(sorted(decisions.locks.flat().items()))


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


def never() -> bool:
    """Nobody asks the search to stop."""
    return False


def unheard(settings: ChainSettings, score: float) -> None:
    """Nobody listens to what a search has so far."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SearchRequest:
    """What is asked: all that a suggestion depends on.

    Attributes
    ----------
    mix
        The mix.
    config
        Target, plan and weights.
    decisions
        The engineer's locks, and stages left out.
    near
        An earlier sheet to stay near; None searches everywhere.
    references
        Songs whose balance the tone equaliser may move toward.
    tools
        The user's own, which may want a clipper where ours do not.
    """

    mix: Mix
    config: Config
    decisions: Decisions = field(default_factory=Decisions)
    near: Around | None = None
    references: Sequence[Reference] = ()
    tools: "Sequence[Tool]" = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RunOptions:
    """How a search is run; nothing here changes its result, but that `stop` may end it early.

    Attributes
    ----------
    jobs
        Trials evaluated at the same time; -1 for one per core.
    progress
        Called with a phase and its share done.
    journal
        Keeps the trials on disk, and gives those that an earlier run of the same request left.
    stop
        Asked before every batch of trials: True ends the search with the best so far.
    better
        Told settings and score, as the excerpts have them, of every trial that is allowed, meets the target and is
        better than all before.
    seen
        The mix as it was looked at before; one that is of another file is not taken.
    """

    jobs: int = 1
    progress: Progress = silent
    journal: Journal | None = None
    stop: Stop = never
    better: Callable[[ChainSettings, float], None] = unheard
    seen: SeenMix | None = None

    def in_parallel(self, calls: Iterable[Callable[[], _T]]) -> list[_T]:
        """Make calls, `jobs` at a time; their results in the order given.

        In threads, which share the mix and every cached reference instead of copying them.
        """
        return in_threads(calls, self.jobs)

    def beside(self, call: Callable[[], _T]) -> Callable[[], _T]:
        """Begin a call beside what comes next, and give what waits for its result; with one job it is made then."""
        return call if self.jobs == 1 else begun(call)
