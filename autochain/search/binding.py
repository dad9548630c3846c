"""What binds each chain of a search: everything decided for its own trials, less of it for the simple baselines."""

from dataclasses import dataclass

from autochain.chain.chain import ChainPlan
from autochain.chain.settings import CLIPPER, DYNAMIC_BELL, LIMITER, OUTPUT, ChainSettings
from autochain.earlier.around import Around
from autochain.search.baselines import CLIP_AND_LIMIT, CLIP_LOCKED, TRADE_DEFAULT, WITH_LOCKS
from autochain.solve.decisions import Decisions

# Stages that are the same for every chain of a search, with all that is set in them; the linear ones are, too.
_COMMON = (DYNAMIC_BELL, OUTPUT)


def level_locks(locks: ChainSettings, chain: ChainPlan) -> ChainSettings:
    """Locks of the stages that set the level: what a simple chain can be without and still sound on the same mix."""
    return locks.without(*chain.linear, *_COMMON)


@dataclass(frozen=True, slots=True, kw_only=True)
class Binding:
    """Decisions by the kind of chain.

    Attributes
    ----------
    decided
        Locks and stages left out, with all that was prepared.
    unlocked
        The same without what the engineer asked for of the stages that set the level.
    near
        The earlier sheet to stay near; None where there is none.
    chain
        The stages.
    """

    decided: Decisions
    unlocked: Decisions
    near: Around | None
    chain: ChainPlan

    @classmethod
    def of(cls, decided: Decisions, asked: ChainSettings, near: Around | None, chain: ChainPlan) -> "Binding":
        """Bind by what is decided; `asked` are the locks that the engineer gave."""
        kept = decided.locks.without(*level_locks(asked, chain))
        return cls(
            decided=decided, unlocked=Decisions(locks=kept, without=decided.without), near=near, chain=chain
        )

    @property
    def searched(self) -> Decisions:
        """What binds the search's own trials: near an earlier sheet they keep what it has."""
        return self.decided if self.near is None else self.near.settled(self.decided, self.chain.stages)

    def of_family(self, family: str) -> Decisions:
        """What binds a baseline: a simple one has none of the engineer's locks, or those of the stages it has.

        It solves its own drive; what is the same for every trial (linear stages, ends) is as decided. An empty name
        stands for the search's own trials.
        """
        if not family:
            return self.searched
        if family == TRADE_DEFAULT:
            return self.decided
        source = self.decided if family in WITH_LOCKS.values() else self.unlocked
        keep = {*self.chain.linear, *_COMMON, LIMITER}
        keep |= {CLIPPER} if family in (CLIP_AND_LIMIT, CLIP_LOCKED) else set()
        locks = source.locks.only(name for name in source.locks if name in keep)
        return Decisions(locks=locks, without=source.without)

    def touches(self, family: str) -> bool:
        """Whether the engineer's locks reach into a simple baseline."""
        return family in WITH_LOCKS and self.of_family(family) != self.of_family(WITH_LOCKS[family])

    def honoured_by(self, settings: ChainSettings) -> bool:
        """Whether every value that the engineer has locked is in a chain, and all that a binding start holds."""
        binding = self.near is not None and self.near.binding
        decided = self.searched if binding else self.decided
        left_out = decided.without if binding else frozenset()
        return settings.holds(decided.locks) and not any(stage in settings for stage in left_out)
