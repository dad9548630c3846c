"""A sheet that an earlier search wrote: what a later search, a render and a comparison take from it."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from autochain.chain.settings import Given
from autochain.config.model import Coordinates, Target


@dataclass(frozen=True, slots=True, kw_only=True)
class ToolOnSheet:
    """A stage of the column for the user's own tools.

    Attributes
    ----------
    tool
        Its name.
    knobs
        Positions by the tool's own words, one table a band.
    around_db
        Turned down by this before it, up again behind it.
    reduction_typical_db
        What its meter shows in the loud parts; None for a linear stage.
    why_not
        Why it could not be set; empty where it could.
    """

    tool: str
    knobs: tuple[Mapping[str, float], ...]
    around_db: float
    reduction_typical_db: float | None
    why_not: str


@dataclass(frozen=True, slots=True, kw_only=True)
class EarlierOnTools:
    """The column: its stages by name, drive and trim, and what the tools' files hold."""

    stages: Mapping[str, ToolOnSheet]
    drive_db: float | None
    trim_db: float | None
    tools: tuple[Mapping[str, Any], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class EarlierSheet:
    """What a search takes from a sheet: as written, before any of it is compared with a configuration.

    Attributes
    ----------
    file, sha256
        Base name of the sheet and the hash of its bytes.
    mix_sha256
        Hash of the mix it is for.
    target
        What it aimed at.
    stages
        Settings by stage, as they stand now.
    found
        The same by `stage.parameter`, as the search found them.
    point
        Where its search ended; None where a gain was enough.
    locks, without
        The decisions it was asked with.
    seed
        Of its search, and of the dither of its preview.
    fingerprint
        Text of its song, as in `measure.fingerprint`; empty where the sheet does not say.
    score, weights, version
        Its score at the target (None where that was missed), what it was weighed with, and by which program.
    on_tools
        The column for the user's own tools; None where it has none.
    """

    file: str
    sha256: str
    mix_sha256: str
    target: Target
    stages: Mapping[str, Given]
    found: Given
    point: Coordinates | None
    locks: Given
    without: frozenset[str]
    seed: int
    fingerprint: Mapping[str, str] = field(default_factory=dict)
    score: float | None = None
    weights: Mapping[str, float] = field(default_factory=dict)
    version: str = ""
    on_tools: EarlierOnTools | None = None
