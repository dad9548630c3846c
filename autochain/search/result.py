"""What a search hands over: facts and numbers, no words for the page but notes."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from autochain.audio.mix import Mix, Samples
from autochain.chain.settings import ChainSettings, StageName
from autochain.config.model import Config, Coordinates, Target
from autochain.earlier.around import Around
from autochain.measure.measurement import Levels, Measurement
from autochain.note import Note
from autochain.prepare.readiness import Readiness
from autochain.prepare.references import Reference
from autochain.search.costs import Costs
from autochain.search.facts import StageFacts
from autochain.search.sensitivity import Sensitivity
from autochain.solve.decisions import Decisions
from autochain.solve.excerpts import Span


@dataclass(frozen=True, slots=True, kw_only=True)
class Verified:
    """A chain brought to its target and priced on the whole song.

    Attributes
    ----------
    name
        `suggestion`, the side of a neighbour, or the baseline's name.
    settings
        Complete settings at hand-settable steps.
    after
        Levels of the render that was priced.
    costs, score
        Whole-song costs and their weighted sum, at exactly the target where it is met.
    met
        True when loudness is within 0.1 LU of the target and the true peak under the ceiling.
    saturated
        True when the target was missed and more drive hardly makes it louder.
    early_work_db
        What the compressors and the clipper take together in the loud parts.
    """

    name: str
    settings: ChainSettings
    after: Levels
    costs: Costs
    score: float
    met: bool
    saturated: bool
    early_work_db: float

    def miss_lu(self, target: Target) -> float:
        """0 when the target is met; otherwise by how much, the loudness missing or the ceiling exceeded."""
        heard = target.heard_lufs(self.after)
        if self.met or heard is None or self.after.true_peak_dbtp is None:
            return 0.0 if self.met else math.inf
        over_db = max(0.0, self.after.true_peak_dbtp - target.ceiling_dbtp)
        return max(abs(heard - target.loudness_lufs), over_db)


@dataclass(frozen=True, slots=True, kw_only=True)
class OnSheet(Verified):
    """A chain that stands on the sheet: rendered as it is set there, and measured by all meters.

    Attributes
    ----------
    after
        Measurement of the render.
    stages
        Facts per stage.
    reductions_db
        Largest reduction in every 10 ms of the song by stage, in chain order; negative where level is added.
    """

    after: Measurement
    stages: tuple[StageFacts, ...]
    reductions_db: Mapping[StageName, npt.NDArray[np.float32]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class SearchStats:
    """How the search went: trials told, trials that met the target, coordinates on an edge.

    `complete` is False when it was stopped before its budget was spent; `coordinates` is the point of the result,
    None where nothing was searched; `spread` holds the 5th and 95th percentile of every cost over the feasible
    trials. `forgone` is the best chain where a simpler one was suggested for it, over which it gains too little.
    `saved_by_clipper` is how many points the suggested chain saves on the user's own tools against the one that would
    be suggested without these, which has no clipper; None where that did not count.
    """

    trials: int
    feasible: int
    on_edge: tuple[str, ...]
    mean_renders: float
    chosen_from: str
    complete: bool = True
    coordinates: Coordinates | None = None
    spread: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    forgone: Verified | None = None
    saved_by_clipper: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Suggestion:
    """Result of `suggest`; `samples` is the render of the chosen chain, `neighbours` are by side.

    `readiness` is the verdict of the check on the mix; `references` are the songs that were to be beside it;
    `fingerprint` is the text of `measure.fingerprint`, by band; `other_hands` is how much more the chosen chain
    costs on other tools, by the name of a `strangers.Stranger`.
    """

    mix: Mix
    config: Config
    decisions: Decisions
    before: Measurement
    readiness: Readiness
    chosen: OnSheet
    samples: Samples
    baselines: dict[str, Verified]
    neighbours: dict[str, OnSheet]
    rotation_saving_db: float
    spans: tuple[Span, ...]
    stats: SearchStats
    sensitivity: tuple[Sensitivity, ...]
    notes: tuple[Note, ...]
    around: Around | None = None
    references: tuple[Reference, ...] = ()
    fingerprint: dict[str, str] = field(default_factory=dict)
    other_hands: Mapping[str, float] = field(default_factory=dict)
