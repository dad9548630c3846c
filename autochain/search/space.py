"""Search coordinates to chain settings, and back to a vector for neighbours.

The sampler moves in shares of work, time constants on log scales and softness; what is printed are thresholds,
ceilings and gains. Near zero a share switches its stage off, so that "leave it out" is a place the sampler
can find and not a point it would have to hit exactly.
"""

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from autochain.chain.chain import DEFAULT, ChainPlan
from autochain.config.model import PARAMETER_OF, Coordinates, Ranges
from autochain.solve.decisions import Decisions, Locks
from autochain.solve.outline import Outline

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


def ranges_near(point: Coordinates, whole: Ranges, share: float) -> Ranges:
    """Ranges that reach `share` of each range to either side of a point, and not beyond the whole."""
    place = np.clip(to_vector(point, whole), 0.0, 1.0)
    low, high = (from_vector(np.clip(place + step, 0.0, 1.0), whole) for step in (-share, share))
    return Ranges(**{name: (getattr(low, name), getattr(high, name)) for name in Coordinates.model_fields})


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


def outline_at(
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
