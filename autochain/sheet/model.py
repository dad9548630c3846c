"""The sheet as data: numbers and facts only. Its JSON Schema is published as `sheet.schema.json`.

format_version 1: first version.
"""

from typing import Any, Literal

from pydantic import BaseModel, ConfigDict
from pydantic.dataclasses import dataclass

from autochain.chain.settings import StageName, Value
from autochain.measure.measurement import Measurement
from autochain.note import Note
from autochain.prepare.finding import Finding
from autochain.prepare.readiness import Verdict
from autochain.search.costs import Costs as MeasuredCosts

_STRICT = ConfigDict(extra="forbid")


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class MixFacts(_Part):
    """Which mix the sheet is for; `file` is the base name.

    `course` is the level of every second in three bands, in tenths of a dB: what a revised mix is known by.
    """

    file: str
    sha256: str
    rate_hz: int
    channels: int
    duration_s: float
    subtype: str
    course: dict[str, str]


class TargetFacts(_Part):
    """What was asked for; one of the two loudnesses, the other is null."""

    lufs: float | None
    loudest_part_lufs: float | None
    ceiling_dbtp: float


@dataclass(frozen=True, kw_only=True, config=_STRICT)
class Figures(Measurement):
    """Measurement before or after; null where a figure does not exist."""


class InputLevel(_Part):
    """Level at a stage's input in the loudest 3 s."""

    peak_dbfs: float
    short_term_lufs: float


class Reduction(_Part):
    """What the meter shows: the largest in the song and when, and the typical one in the loud parts."""

    max: float
    typical: float
    max_at_s: float


class AtFullScale(_Part):
    """The same curve on a clipper whose ceiling cannot pass 0 dBFS: everything around it shifted by as much.

    `drive_gain_db` is what a drive directly ahead has to be set to in place of the input gain; null without one.
    """

    input_gain_db: float
    ceiling_dbfs: float
    output_gain_db: float
    drive_gain_db: float | None


class StageEntry(_Part):
    """One stage in chain order; `at_full_scale` where its ceiling lies over 0 dBFS.

    `listen_for` is empty where the stage hardly does anything.
    """

    stage: StageName
    settings: dict[str, Value]
    input: InputLevel
    reduction_db: Reduction | None
    trim_db: float
    listen_for: tuple[str, ...]
    cues_s: tuple[float, ...]
    at_full_scale: AtFullScale | None


@dataclass(frozen=True, kw_only=True, config=_STRICT)
class CostFigures(MeasuredCosts):
    """Costs by name, each in the unit its name says, and their weighted sum."""

    score: float


@dataclass(frozen=True, kw_only=True, config=_STRICT)
class Costs(CostFigures):
    """Costs of the suggestion, and what rotating the phase saves the peak stages."""

    rotation_saving_db: float


@dataclass(frozen=True, kw_only=True, config=_STRICT)
class Baseline(CostFigures):
    """Costs of a baseline, and the loudness it reached: of the whole song, and of its loudest 3 s.

    `settings` are by stage; sheets of earlier versions of the program have none.
    """

    integrated_lufs: float | None
    max_short_term_lufs: float | None
    met: bool
    settings: dict[str, dict[str, Value]]


class Alternative(_Part):
    """A neighbour of the suggestion on the whole song, at the same target.

    `differs` holds every cost less that of the suggestion; `early_work_db` is what its compressors and its clipper
    take together in the loud parts, beyond those of the suggestion.
    """

    name: Literal["cleaner", "more_open"]
    stages: tuple[StageEntry, ...]
    after: Figures
    costs: CostFigures
    met: bool
    differs: dict[str, float]
    early_work_db: float


class SensitivityEntry(_Part):
    """How much one setting matters when it alone is moved and the drive set again for the loudness.

    A hand's step away, at `step_to`, the score worsens by `score_change`. Between `low` and `high` it worsens by no
    more than `search.sensitivity_score`; null where it may move to the end of its range.
    """

    stage: StageName
    parameter: str
    value: float
    step_to: float
    score_change: float
    low: float | None
    high: float | None
    listen_for: str


@dataclass(frozen=True, kw_only=True, config=_STRICT)
class NoteEntry(Note):
    """Something to know."""


@dataclass(frozen=True, kw_only=True, config=_STRICT)
class FindingEntry(Finding):
    """Something the check found in the mix; `value` is null where there is no figure, `times_s` are mix times."""

    times_s: tuple[float, ...]
    sends_back: bool


class ReadinessFacts(_Part):
    """Verdict of the check on the mix, as `autochain check` gives it, and the limits of its `[check]` table."""

    verdict: Verdict
    findings: tuple[FindingEntry, ...]
    limits: dict[str, float]


class Excerpt(_Part):
    """A part of the song that trials were judged on."""

    start_s: float
    stop_s: float
    reason: str


class Spread(_Part):
    """5th and 95th percentile."""

    low: float
    high: float


class SearchFacts(_Part):
    """How the settings were found; not complete when the search was stopped before its budget was spent.

    `coordinates` is the point that the search ended at, empty where a gain was enough; `found` has every setting once
    more by `stage.parameter`, so that what is changed by hand in `stages` is known for a decision;
    `spread` says how far the trials that met the target reach in each cost, on the excerpts; empty without a search.
    """

    trials: int
    complete: bool
    trials_on_target: int
    chosen_from: str
    on_range_edge: tuple[str, ...]
    coordinates: dict[str, float]
    found: dict[str, Value]
    excerpts: tuple[Excerpt, ...]
    spread: dict[str, Spread]
    neighbours_within: float  # most score that an alternative may cost beyond the suggestion
    sensitivity_score: float  # worsening of the score that ends the range of a setting


class AroundFacts(_Part):
    """The earlier sheet that the search stayed near; `decided` is what was changed on it or locked since."""

    sheet: str
    sha256: str
    same_mix: bool
    target: TargetFacts
    decided: dict[str, Value]


class StageOnTool(_Part):
    """One stage on a tool of the user's.

    `knobs` are positions by the tool's own words, one table a band; `noted` is what has to stand as it was measured.
    `reduction_db` is what its meter will show by its model; `off_db` how far its gain stays from the stage's where it
    comes nearest, rms in the loud part. Where it cannot be set from here `why_not` says why, and the meter holds.
    """

    stage: StageName
    tool: str
    knobs: tuple[dict[str, float], ...]
    noted: dict[str, str]
    reduction_typical_db: float | None
    reduction_max_db: float | None
    off_db: float
    input_gain_db: float
    output_gain_db: float
    why_not: str


class LossOnTools(_Part):
    """How much more the chain costs on the user's tools than on the sheet's own stages, in points of score.

    `cost` is what rises most, `stage` the one whose tool costs most; null where none does.
    """

    score: float
    cost: str | None
    stage: StageName | None


class OnToolsFacts(_Part):
    """The chain on the user's own tools, by their models: the drive and the trim that it needs, and what comes out.

    `tools` is what their files hold, so that the sheet can be carried out on them without any other file.
    """

    stages: tuple[StageOnTool, ...]
    drive_db: float | None
    trim_db: float | None
    lufs: float | None
    true_peak_dbtp: float | None
    loss: LossOnTools | None
    tools: tuple[dict[str, Any], ...]


class Move(_Part):
    """A setting that stands elsewhere than on the earlier sheet; null where the stage is not in the chain."""

    stage: StageName
    parameter: str
    was: Value | None
    now: Value | None


class Request(_Part):
    """What reproduces the sheet; `references` are hashes by file name, a lock of a choice is its word.

    `choices_sha256` is the hash of the blind choices that the weights were learned from; null without `--taste`.
    """

    lufs: float | None
    loudest_part_lufs: float | None
    ceiling_dbtp: float
    locks: dict[str, Value]
    without: tuple[str, ...]
    references: dict[str, str]
    config_sha256: str
    choices_sha256: str | None
    seed: int
    budget: int
    batch: int


class Provenance(_Part):
    """Request and versions; nothing here depends on jobs, folders or time."""

    request: Request
    versions: dict[str, str]


class Sheet(_Part):
    """The whole sheet."""

    format_version: Literal[1]
    mix: MixFacts
    target: TargetFacts
    met: bool
    readiness: ReadinessFacts
    before: Figures
    after: Figures
    stages: tuple[StageEntry, ...]
    costs: Costs
    weights: dict[str, float]
    contributions: dict[str, float]  # points of score by cost; they add up to it
    baselines: dict[str, Baseline]
    alternatives: tuple[Alternative, ...]
    sensitivity: tuple[SensitivityEntry, ...]  # at most three, the most important first
    # How much more the settings cost on other tools (excerpts); null where the loudness is out of reach there.
    other_hands: dict[str, float | None]
    notes: tuple[NoteEntry, ...]
    search: SearchFacts
    around: AroundFacts | None
    moved: tuple[Move, ...]
    on_tools: OnToolsFacts | None
    provenance: Provenance
