"""Decisions that cannot all hold: refused before any sound is rendered, naming both sides."""

from autochain.chain.settings import CLIPPER, LIMITER, NOTHING_SET, ChainSettings, StageSettings
from autochain.chain.stage import Stage
from autochain.config.coordinates import SET
from autochain.config.model import Config
from autochain.errors import UsageError
from autochain.solve.decisions import Decisions, as_given

_SET = frozenset(c.place for c in SET)


def refuse_contradictions(decisions: Decisions, config: Config, held: ChainSettings | None = None) -> None:
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
    own = locks.get(LIMITER, "ceiling_dbtp")
    if own is not None and own > ceiling_dbtp:
        raise UsageError(
            f"The lock limiter.ceiling_dbtp={own:g} contradicts --ceiling {ceiling_dbtp:g}. "
            f"Lower the lock or raise the ceiling."
        )
    clip = locks.get(CLIPPER, "ceiling_dbfs")
    if own is not None and clip is not None and clip < own:
        raise UsageError(
            f"The lock clipper.ceiling_dbfs={clip:g} lies under the lock limiter.ceiling_dbtp={own:g}, which leaves "
            f"the limiter nothing to do. Raise the clipper's ceiling, lower the limiter's, or drop one lock."
        )
    chain = config.chain_plan
    for name, values in locks.items():
        _refuse_meaningless(chain.stage(name), values, (held or NOTHING_SET).of(name).with_(chain.given.of(name)))


def _refuse_meaningless(stage: Stage, locks: StageSettings, beside: StageSettings) -> None:
    """Refuse a lock of what another setting has taken out of use."""
    settings = stage.checked(beside.with_(locks))
    for name, value in locks.items():
        if stage.applies(settings, name):
            continue
        others = [other for other in settings if other != name and _revives(stage, settings, name, other)]
        if not others:
            continue
        other = next((other for other in others if other in locks), others[0])
        lock, because = as_given(stage.name, name, value), as_given(stage.name, other, settings.value(other))
        if other in locks:
            raise UsageError(f"The lock {lock} has no effect together with the lock {because}. Drop one of them.")
        if (stage.name, other) not in _SET:
            raise UsageError(
                f"The lock {lock} has no effect while {because}. Lock {stage.name}.{other} as well, or drop it."
            )


def _revives(stage: Stage, settings: StageSettings, name: str, other: str) -> bool:
    """Whether another value of one setting would give a second one its meaning back."""
    parameter = stage.parameter(other)
    values = parameter.choices or (parameter.low, parameter.high)
    return any(stage.applies(settings.with_({other: value}), name) for value in values)
