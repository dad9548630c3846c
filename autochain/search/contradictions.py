"""Decisions that cannot all hold: refused before any sound is rendered, naming both sides."""

from collections.abc import Mapping

from autochain.chain.stage import Settings, Stage
from autochain.config.model import PARAMETER_OF, Config
from autochain.errors import UsageError
from autochain.solve.decisions import Decisions, Locks, as_given


def refuse_contradictions(decisions: Decisions, config: Config, held: Locks | None = None) -> None:
    """Compare locks with the target and with each other.

    Parameters
    ----------
    decisions
        What the engineer has decided.
    config
        Target and chain.
    held
        Settings that an earlier sheet keeps beside them.

    Raises
    ------
    UsageError
        Two of them contradict each other, or one makes another meaningless.
    """
    locks, ceiling_dbtp = decisions.locks, config.target.ceiling_dbtp
    own = locks.get("limiter", {}).get("ceiling_dbtp")
    if own is not None and own > ceiling_dbtp:
        raise UsageError(
            f"The lock limiter.ceiling_dbtp={own:g} contradicts --ceiling {ceiling_dbtp:g}. "
            f"Lower the lock or raise the ceiling."
        )
    clip = locks.get("clipper", {}).get("ceiling_dbfs")
    if own is not None and clip is not None and clip < own:
        raise UsageError(
            f"The lock clipper.ceiling_dbfs={clip:g} lies under the lock limiter.ceiling_dbtp={own:g}, which leaves "
            f"the limiter nothing to do. Raise the clipper's ceiling, lower the limiter's, or drop one lock."
        )
    chain = config.chain_plan
    for name, values in locks.items():
        beside = {**(held or {}).get(name, {}), **chain.given.get(name, {})}
        _refuse_meaningless(chain.stage(name), values, beside)


def _refuse_meaningless(stage: Stage, locks: Settings, beside: Settings) -> None:
    """Refuse a lock of what another setting has taken out of use."""
    settings = stage.checked({**beside, **locks})
    for name, value in locks.items():
        if stage.applies(settings, name):
            continue
        others = [other for other in settings if other != name and _revives(stage, settings, name, other)]
        if not others:
            continue
        other = next((other for other in others if other in locks), others[0])
        lock, because = as_given(stage.name, name, value), as_given(stage.name, other, settings[other])
        if other in locks:
            raise UsageError(f"The lock {lock} means nothing beside the lock {because}. Drop one of them.")
        if (stage.name, other) not in PARAMETER_OF.values():
            raise UsageError(
                f"The lock {lock} means nothing while {because}. Lock {stage.name}.{other} as well, or drop it."
            )


def _revives(stage: Stage, settings: Mapping[str, float], name: str, other: str) -> bool:
    """Whether another value of one setting would give a second one its meaning back."""
    parameter = stage.parameter(other)
    values = range(len(parameter.choices)) if parameter.choices else (parameter.low, parameter.high)
    return any(stage.applies({**settings, other: float(value)}, name) for value in values)
