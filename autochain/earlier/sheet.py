"""A sheet that an earlier search wrote: what a later search, a render and a comparison take from it."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from autochain.chain.settings import Given
from autochain.config.model import Coordinates, Target


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
