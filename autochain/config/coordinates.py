"""What a search moves, in one table: where each coordinate acts, on which scale, and when its stage is left out.

Three kinds. A share of the work, from none to all there is, from which a threshold or a ceiling is solved (`solves`);
an amount that is a stage's own parameter; and what the stage needs besides (times, softness), which means something
only while the share or amount that `uses` it is on. Near zero a share or amount switches its stage off, so that
"leave it out" is a place a sampler can find and not a point it would have to hit exactly.
"""

from dataclasses import dataclass
from typing import Literal

from autochain.chain.chain import STAGES
from autochain.chain.settings import (
    BUS_COMPRESSOR,
    CLIPPER,
    DRIVE,
    LIMITER,
    OUTPUT,
    PEAK_COMPRESSOR,
    ROTATION,
    TRANSIENT,
    StageName,
)

Place = tuple[StageName, str]  # stage and parameter


@dataclass(frozen=True, slots=True, kw_only=True)
class Coordinate:
    """One coordinate of the search.

    Attributes
    ----------
    name
        In `Coordinates`, `Ranges` and `[search]`; with its unit.
    stage, parameter
        The setting that it is, or that is solved from it (`solves`).
    scale
        How a search moves in it.
    off_below
        Its stage is left out where it is less; None for what switches nothing.
    solves
        Whether the setting is solved from it, trial by trial, and printed as what it comes to.
    most
        Most it can mean, in its own unit; None for the end of the parameter's range.
    uses
        Names of the other coordinates that mean something only while this one is on.
    """

    name: str
    stage: StageName
    parameter: str
    scale: Literal["linear", "log"] = "linear"
    off_below: float | None = None
    solves: bool = False
    most: float | None = None
    uses: tuple[str, ...] = ()

    @property
    def place(self) -> Place:
        """Stage and parameter."""
        return self.stage, self.parameter

    @property
    def meaningful(self) -> tuple[float, float]:
        """Where it means something: from none at all, or what the stage can be set to."""
        known = STAGES[self.stage].parameter(self.parameter)
        return known.low if self.off_below is None else 0.0, known.high if self.most is None else self.most


# In the order of `Coordinates`, which is that of a sampler's vector. Off below: less is under what a meter shows or
# an ear follows. common practice, no source
COORDINATES = (
    Coordinate(
        name="bus_work_db", stage=BUS_COMPRESSOR, parameter="threshold_db", solves=True, off_below=0.15, most=20.0,
        uses=("bus_attack_ms", "bus_release_ms"),
    ),
    Coordinate(name="bus_attack_ms", stage=BUS_COMPRESSOR, parameter="attack_ms", scale="log"),
    Coordinate(name="bus_release_ms", stage=BUS_COMPRESSOR, parameter="release_ms", scale="log"),
    Coordinate(
        name="peak_work_db", stage=PEAK_COMPRESSOR, parameter="threshold_db", solves=True, off_below=0.15, most=20.0,
        uses=("peak_attack_ms", "peak_release_ms"),
    ),
    Coordinate(name="peak_attack_ms", stage=PEAK_COMPRESSOR, parameter="attack_ms", scale="log"),
    Coordinate(name="peak_release_ms", stage=PEAK_COMPRESSOR, parameter="release_ms", scale="log"),
    Coordinate(
        name="clip_share", stage=CLIPPER, parameter="ceiling_dbfs", solves=True, off_below=0.04, most=1.0,
        uses=("clip_softness",),
    ),
    Coordinate(name="clip_softness", stage=CLIPPER, parameter="softness"),
    Coordinate(name="onset_db", stage=TRANSIENT, parameter="onset_db", off_below=0.1),
    Coordinate(name="limiter_lookahead_ms", stage=LIMITER, parameter="lookahead_ms", scale="log"),
    Coordinate(name="limiter_release_ms", stage=LIMITER, parameter="release_ms", scale="log"),
    Coordinate(name="limiter_link_percent", stage=LIMITER, parameter="link_percent"),
)  # fmt: skip

NAMES: tuple[str, ...] = tuple(c.name for c in COORDINATES)
# Those that are a setting, those that one is solved from, and those that switch their stage.
SET = tuple(c for c in COORDINATES if not c.solves)
SOLVING = tuple(c for c in COORDINATES if c.solves)
SWITCHING = tuple(c for c in COORDINATES if c.off_below is not None)
# All that a search moves or solves.
MOVED: frozenset[Place] = frozenset(c.place for c in COORDINATES)
# The stages that a search puts in or leaves out, and the limiter.
STAGES_MOVED: tuple[StageName, ...] = tuple(dict.fromkeys(c.stage for c in COORDINATES))
COMPRESSORS: tuple[StageName, ...] = tuple(c.stage for c in SOLVING if c.parameter == "threshold_db")
# What takes level away before the limiter.
EARLY: tuple[StageName, ...] = tuple(c.stage for c in SOLVING)

# What follows from the level of the mix and the target, and what is read off the mix: found anew for every mix, so
# that a configuration can neither set nor bound it.
BY_LEVEL: frozenset[Place] = frozenset(
    {*(c.place for c in SOLVING), (DRIVE, "gain_db"), (LIMITER, "ceiling_dbtp"), (OUTPUT, "trim_db")}
)
FOUND: frozenset[Place] = BY_LEVEL | {(ROTATION, name) for name in ("kind", "angle_deg", "freq_hz", "q", "sections")}
