"""Search coordinates to chain settings, and back to a vector for neighbours.

The sampler moves in shares of work, time constants on log scales and softness; what is printed are thresholds,
ceilings and gains. Near zero a share switches its stage off, so that "leave it out" is a place the sampler
can find and not a point it would have to hit exactly.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from autochain.chain.chain import DEFAULT, STAGES, ChainPlan
from autochain.config.model import PARAMETER_OF, Coordinates, Ranges
from autochain.errors import ParameterError, UsageError

LOG_COORDINATES = frozenset(name for name in Coordinates.model_fields if name.endswith("_ms"))
# Below these a stage is left out: less is under what a meter shows or an ear follows. common practice, no source
OFF_BELOW = {"bus_work_db": 0.15, "peak_work_db": 0.15, "clip_share": 0.04, "onset_db": 0.1}

# The stage that each of them switches.
STAGE_OF = {
    "bus_work_db": "bus_compressor",
    "peak_work_db": "peak_compressor",
    "clip_share": "clipper",
    "onset_db": "transient",
}

# The other coordinates that mean something only while a share is on.
_USED_BY = {
    "bus_work_db": ("bus_attack_ms", "bus_release_ms"),
    "peak_work_db": ("peak_attack_ms", "peak_release_ms"),
    "clip_share": ("clip_softness",),
    "onset_db": (),
}

# What the shares solve.
_SOLVES = {
    "bus_work_db": ("bus_compressor", "threshold_db"),
    "peak_work_db": ("peak_compressor", "threshold_db"),
    "clip_share": ("clipper", "ceiling_dbfs"),
}

Locks = Mapping[str, Mapping[str, float]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Decisions:
    """What the engineer has decided: fixed settings, and stages that stay out."""

    locks: Locks = field(default_factory=dict)
    without: frozenset[str] = frozenset()

    def within(self, chain: ChainPlan) -> "Decisions":
        """The same beside what a chain has set in advance and does not have at all."""
        names = {n: {**chain.given.get(n, {}), **self.locks.get(n, {})} for n in (*chain.given, *self.locks)}
        return Decisions(
            locks={name: values for name, values in names.items() if name not in self.without},
            without=self.without | (STAGES.keys() - chain.stages.keys()),
        )

    @property
    def stages(self) -> frozenset[str]:
        """Stages that a lock needs in the chain."""
        return frozenset(self.locks)


def parse_decisions(locks: list[str], without: list[str], chain: ChainPlan = DEFAULT) -> Decisions:
    """Read `stage.parameter=value` and stage names; ParameterError or UsageError says what to correct."""
    fixed: dict[str, dict[str, float]] = {}
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
        if (stage.name, known.name) == ("output", "trim_db"):
            raise UsageError(
                f"--lock {text!r}: the trim is what holds the ceiling, so it cannot be fixed. Lower --ceiling instead."
            )
        try:
            number = known.parsed(value.strip(), stage.name)
        except ParameterError as error:
            narrowed = narrowed_out(chain, stage.name, known.name, value.strip())
            if narrowed:
                raise UsageError(f"--lock {text} contradicts {narrowed}. Change one of them.") from None
            raise ParameterError(f"--lock {text!r}: {error}") from None
        if known.name in fixed.get(stage.name, {}) and fixed[stage.name][known.name] != number:
            both = (as_given(stage.name, known.name, v) for v in (fixed[stage.name][known.name], number))
            values = " and ".join(text.partition("=")[2] for text in both)
            raise UsageError(f"--lock gives {stage.name}.{known.name} twice, as {values}. Keep one of them.")
        fixed.setdefault(stage.name, {})[known.name] = number
    for name in without:
        chain.stage(name)
        if name in ("drive", "limiter", "output"):
            own = "Lock output.head_silence_ms=0 and the like instead."
            cure = own if name == "output" else "Leave out another stage."
            raise UsageError(f"--without {name}: the chain cannot do without it. {cure}")
        if name in fixed:
            raise UsageError(f"--without {name} contradicts --lock {name}.{next(iter(fixed[name]))}. Drop one of them.")
    return Decisions(locks=fixed, without=frozenset(without))


def as_given(stage: str, name: str, value: float) -> str:
    """A lock as it is given on the command line, a choice by its word."""
    shown = STAGES[stage].parameter(name).shown(value)
    return f"{stage}.{name}={shown if isinstance(shown, str) else format(shown, '.15g')}"


def narrowed_out(chain: ChainPlan, stage: str, name: str, value: str | float) -> str | None:
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


def removable(coordinates: Coordinates, decisions: Decisions) -> list[str]:
    """Shares whose stage is in the chain and may be left out: not locked in, not left out already."""
    decided = decisions.stages | decisions.without
    on = switched(coordinates)
    return [name for name, stage in STAGE_OF.items() if getattr(on, name) > 0.0 and stage not in decided]


def switched(coordinates: Coordinates) -> Coordinates:
    """Snap shares below their off-threshold to zero."""
    off = {name: 0.0 for name, least in OFF_BELOW.items() if getattr(coordinates, name) < least}
    return coordinates.model_copy(update=off) if off else coordinates


def to_vector(coordinates: Coordinates, ranges: Ranges) -> tuple[float, ...]:
    """Unit-cube position of a point, for finding its neighbours; baselines may lie outside."""
    vector = []
    for name in Coordinates.model_fields:
        low, high = getattr(ranges, name)
        value = getattr(coordinates, name)
        if name in LOG_COORDINATES:
            vector.append(math.log(value / low) / math.log(high / low))
        else:
            vector.append((value - low) / (high - low))
    return tuple(vector)


def from_vector(vector: Sequence[float] | npt.NDArray[np.float64], ranges: Ranges) -> Coordinates:
    """Point at a unit-cube position; inverse of `to_vector`."""
    values = {}
    for name, place in zip(Coordinates.model_fields, vector, strict=True):
        low, high = getattr(ranges, name)
        value = low * (high / low) ** float(place) if name in LOG_COORDINATES else low + float(place) * (high - low)
        values[name] = min(high, max(low, value))
    return Coordinates(**values)


def on_edge(coordinates: Coordinates, ranges: Ranges, locks: Locks | None = None) -> tuple[str, ...]:
    """Coordinates within 1 % of a range end.

    A share that is off does not count, nor what its stage would use, nor a coordinate that a lock has replaced.
    """
    locked = {n for n, (stage, own) in {**PARAMETER_OF, **_SOLVES}.items() if own in (locks or {}).get(stage, {})}
    switched_off = {
        name
        for share, own in _USED_BY.items()
        if getattr(coordinates, share) == 0.0
        for name in (share, *own)
    }
    vector = to_vector(coordinates, ranges)
    return tuple(
        name
        for name, place in zip(Coordinates.model_fields, vector, strict=True)
        if name not in switched_off | locked and not 0.01 <= place <= 0.99
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Outline:
    """Chain settings before anything that depends on level is solved.

    Attributes
    ----------
    settings
        Per stage; thresholds, drive and clip ceiling hold a default until solved.
    work_db
        Work wanted from each compressor whose threshold is to be solved.
    clip_share
        Share of the peak work for the clipper; None when its ceiling is locked or it is left out.
    drive_db
        Locked drive, or None when it is to be solved.
    ceiling_locked
        True when the limiter's ceiling is the engineer's and must not be lowered.
    """

    settings: dict[str, dict[str, float]]
    work_db: dict[str, float]
    clip_share: float | None
    drive_db: float | None
    ceiling_locked: bool


def outline(
    coordinates: Coordinates, decisions: Decisions, ceiling_dbtp: float, chain: ChainPlan = DEFAULT
) -> Outline:
    """Settings of one point at hand-settable steps, with the engineer's locks in place."""
    c = switched(coordinates)
    limiter = {
        "ceiling_dbtp": ceiling_dbtp,
        "lookahead_ms": c.limiter_lookahead_ms,
        "release_ms": c.limiter_release_ms,
    }
    settings: dict[str, dict[str, float]] = {"drive": {}, "limiter": limiter, "output": {}}
    work: dict[str, float] = {}
    for name, work_name, attack, release in (
        ("bus_compressor", "bus_work_db", c.bus_attack_ms, c.bus_release_ms),
        ("peak_compressor", "peak_work_db", c.peak_attack_ms, c.peak_release_ms),
    ):
        amount = getattr(c, work_name)
        if name in decisions.locks:  # a stage the engineer has set stays in
            amount = max(amount, OFF_BELOW[work_name])
        if amount > 0.0:
            settings[name] = {"attack_ms": attack, "release_ms": release}
            work[name] = amount
    share = max(c.clip_share, OFF_BELOW["clip_share"]) if "clipper" in decisions.locks else c.clip_share
    if share > 0.0:
        settings["clipper"] = {"softness": c.clip_softness}
    if c.onset_db > 0.0 or "transient" in decisions.locks:
        settings["transient"] = {"onset_db": c.onset_db}
    for name, fixed in decisions.locks.items():
        settings.setdefault(name, {}).update(fixed)
        if "threshold_db" in fixed:
            work.pop(name, None)
    # What the engineer has set stays as given, also between the steps that the search keeps to.
    complete = {
        name: {**stage.rounded(stage.checked(settings[name])), **decisions.locks.get(name, {})}
        for name, stage in chain.stages.items()
        if name in settings and name not in decisions.without
    }
    clip_locked = "ceiling_dbfs" in decisions.locks.get("clipper", {})
    return Outline(
        settings=complete,
        work_db={name: amount for name, amount in work.items() if name in complete},
        clip_share=None if "clipper" not in complete or clip_locked else share,
        drive_db=decisions.locks.get("drive", {}).get("gain_db"),
        ceiling_locked="ceiling_dbtp" in decisions.locks.get("limiter", {}),
    )


def fixed(settings: Mapping[str, Mapping[str, float]], decisions: Decisions) -> Outline:
    """Outline of settings in which only the drive is left to solve."""
    return Outline(
        settings={name: {**values, **decisions.locks.get(name, {})} for name, values in settings.items()},
        work_db={},
        clip_share=None,
        drive_db=decisions.locks.get("drive", {}).get("gain_db"),
        ceiling_locked="ceiling_dbtp" in decisions.locks.get("limiter", {}),
    )
