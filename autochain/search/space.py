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
from autochain.chain.settings import CLIPPER, DRIVE, LIMITER, NOTHING_SET, OUTPUT, ChainSettings
from autochain.config.coordinates import COMPRESSORS, COORDINATES, NAMES, SET, SOLVING, SWITCHING
from autochain.config.model import Coordinates, Ranges
from autochain.solve.decisions import Decisions
from autochain.solve.outline import Outline


def removable(coordinates: Coordinates, decisions: Decisions) -> list[str]:
    """Shares whose stage is in the chain and may be left out: not locked in, not left out already."""
    decided = decisions.stages | decisions.without
    on = switched(coordinates)
    return [c.name for c in SWITCHING if getattr(on, c.name) > 0.0 and c.stage not in decided]


def switched(coordinates: Coordinates) -> Coordinates:
    """Snap shares below their off-threshold to zero."""
    off = {c.name: 0.0 for c in SWITCHING if getattr(coordinates, c.name) < c.off_below}
    return coordinates.model_copy(update=off) if off else coordinates


def to_vector(coordinates: Coordinates, ranges: Ranges) -> tuple[float, ...]:
    """Unit-cube position of a point, for finding its neighbours; baselines may lie outside."""
    vector = []
    for c in COORDINATES:
        low, high = getattr(ranges, c.name)
        value = getattr(coordinates, c.name)
        if c.scale == "log":
            vector.append(math.log(value / low) / math.log(high / low))
        else:
            vector.append((value - low) / (high - low))
    return tuple(vector)


def from_vector(vector: Sequence[float] | npt.NDArray[np.float64], ranges: Ranges) -> Coordinates:
    """Point at a unit-cube position; inverse of `to_vector`."""
    values = {}
    for c, place in zip(COORDINATES, vector, strict=True):
        low, high = getattr(ranges, c.name)
        value = low * (high / low) ** float(place) if c.scale == "log" else low + float(place) * (high - low)
        values[c.name] = min(high, max(low, value))
    return Coordinates(**values)


def ranges_near(point: Coordinates, whole: Ranges, share: float) -> Ranges:
    """Ranges that reach `share` of each range to either side of a point, and not beyond the whole."""
    place = np.clip(to_vector(point, whole), 0.0, 1.0)
    low, high = (from_vector(np.clip(place + step, 0.0, 1.0), whole) for step in (-share, share))
    return Ranges(**{name: (getattr(low, name), getattr(high, name)) for name in NAMES})


def on_edge(
    coordinates: Coordinates, ranges: Ranges, locks: ChainSettings = NOTHING_SET
) -> tuple[str, ...]:
    """Coordinates within 1 % of a range end.

    A share that is off does not count, nor what its stage would use, nor a coordinate that a lock has replaced.
    """
    locked = {c.name for c in COORDINATES if c.place in locks}
    off = {name for c in SWITCHING if getattr(coordinates, c.name) == 0.0 for name in (c.name, *c.uses)}
    return tuple(
        name
        for name, place in zip(NAMES, to_vector(coordinates, ranges), strict=True)
        if name not in off | locked and not 0.01 <= place <= 0.99
    )


def outline_at(
    coordinates: Coordinates, decisions: Decisions, ceiling_dbtp: float, chain: ChainPlan = DEFAULT
) -> Outline:
    """Settings of one point at hand-settable steps, with the engineer's locks in place."""
    locks = decisions.locks
    values = switched(coordinates).model_dump()
    # A stage that the engineer has set stays in, at the least that it can do where that is still to be solved.
    off = {c.stage for c in SWITCHING if values[c.name] == 0.0 and c.stage not in locks}
    settings = ChainSettings({DRIVE: {}, LIMITER: {"ceiling_dbtp": ceiling_dbtp}, OUTPUT: {}})
    for c in SET:
        if c.stage not in off:
            settings = settings.with_(c.stage, {c.parameter: values[c.name]})
    settings |= locks
    # What the engineer has set stays as given, also between the steps that the search keeps to.
    complete = ChainSettings(
        {
            name: stage.rounded(stage.checked(settings[name])).with_(locks.of(name))
            for name, stage in chain.stages.items()
            if name in settings and name not in decisions.without
        }
    )
    work = {
        c.stage: max(values[c.name], c.off_below or 0.0) if c.stage in locks else values[c.name]
        for c in SOLVING
        if c.stage in complete and c.stage not in off and c.place not in locks
    }
    return Outline(
        settings=complete,
        work_db={name: work[name] for name in COMPRESSORS if name in work},
        clip_share=work.get(CLIPPER),
        drive_db=locks.get(DRIVE, "gain_db"),
        ceiling_locked=(LIMITER, "ceiling_dbtp") in locks,
    )
