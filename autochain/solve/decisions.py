"""What the engineer has decided: settings that are fixed, and stages that stay out."""

from dataclasses import dataclass

from autochain.chain.chain import DEFAULT, NEEDED, STAGES, ChainPlan
from autochain.chain.settings import NOTHING_SET, OUTPUT, ChainSettings, StageName, Value
from autochain.errors import ParameterError, UsageError


@dataclass(frozen=True, slots=True, kw_only=True)
class Decisions:
    """What the engineer has decided: fixed settings, and stages that stay out."""

    locks: ChainSettings = NOTHING_SET
    without: frozenset[StageName] = frozenset()

    def within(self, chain: ChainPlan) -> "Decisions":
        """The same beside what a chain has set in advance and does not have at all."""
        return Decisions(
            locks=(chain.given | self.locks).without(*self.without),
            without=self.without | (STAGES.keys() - chain.stages.keys()),
        )

    @property
    def stages(self) -> frozenset[StageName]:
        """Stages that a lock needs in the chain."""
        return frozenset(self.locks)


def parse_decisions(locks: list[str], without: list[str], chain: ChainPlan = DEFAULT) -> Decisions:
    """Read `stage.parameter=value` and stage names; ParameterError or UsageError says what to correct."""
    fixed = ChainSettings()
    for text in locks:
        name, equals, value = text.partition("=")
        stage_name, dot, parameter = name.partition(".")
        if not (equals and dot):
            raise UsageError(
                f"--lock {text!r} is not of the form stage.parameter=value. "
                f"Write it like --lock limiter.release_ms=120."
            )
        stage = chain.stage(stage_name.strip())
        known = stage.parameter(parameter.strip())
        if (stage.name, known.name) == (OUTPUT, "trim_db"):
            raise UsageError(
                f"--lock {text!r}: the trim is what holds the ceiling, so it cannot be fixed. Lower --ceiling instead."
            )
        try:
            given = known.parsed(value.strip(), stage.name)
        except ParameterError as error:
            narrowed = narrowed_out(chain, stage.name, known.name, value.strip())
            if narrowed:
                raise UsageError(f"--lock {text} contradicts {narrowed}. Change one of them.") from None
            raise ParameterError(f"--lock {text!r}: {error}") from None
        if fixed.value(stage.name, known.name) not in (None, given):
            both = (as_given(stage.name, known.name, v) for v in (fixed[stage.name].value(known.name), given))
            values = " and ".join(text.partition("=")[2] for text in both)
            raise UsageError(f"--lock gives {stage.name}.{known.name} twice, as {values}. Keep one of them.")
        fixed = fixed.with_(stage.name, {known.name: given})
    left_out = [chain.stage(name).name for name in without]
    for name in left_out:
        if name in NEEDED:
            own = "Lock output.head_silence_ms=0 and the like instead."
            cure = own if name == OUTPUT else "Leave out another stage."
            raise UsageError(f"--without {name}: the chain cannot do without it. {cure}")
        if name in fixed:
            raise UsageError(f"--without {name} contradicts --lock {name}.{next(iter(fixed[name]))}. Drop one of them.")
    return Decisions(locks=fixed, without=frozenset(left_out))


def as_given(stage: StageName, name: str, value: Value) -> str:
    """A lock as it is given on the command line."""
    return f"{stage}.{name}={value if isinstance(value, str) else format(value, '.15g')}"


def narrowed_out(chain: ChainPlan, stage: StageName, name: str, value: Value) -> str | None:
    """The range of a configuration that leaves a value out which the stage itself allows; None when it does not."""
    try:
        STAGES[stage].parameter(name).parsed(value, stage)
    except ParameterError:
        return None
    own = chain.stages[stage].parameter(name)
    try:
        own.parsed(value, stage)
    except ParameterError:
        return f"chain.{stage}.{name} of the configuration, which allows {own.low:g} to {own.high:g} {own.unit}".strip()
    return None
