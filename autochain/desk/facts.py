"""What is known of the open song at one moment: what the page shows is made of this, and of nothing else."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from autochain.chain.chain import ChainPlan
from autochain.chain.settings import ChainSettings, StageName, StageSettings
from autochain.check.checked import Checked
from autochain.config.coordinates import Place
from autochain.config.model import Weights
from autochain.desk.folder import SongFiles
from autochain.document.blocks import Block
from autochain.page.closeups import Looks
from autochain.page.pictures.song import SongCurves
from autochain.search.costs import Costs
from autochain.sheet import Sheet
from autochain.sheet.model import OnToolsFacts


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """What is known of one version of the song.

    Attributes
    ----------
    key, name
        What it is asked for by, and what it is called.
    lufs, loudest_part_lufs, true_peak_dbtp
        Loudness of the whole song and of its loudest 3 s, and its peak; None where not known yet.
    score, costs
        What it costs; None where not known yet.
    met
        Whether it has the wanted loudness under the ceiling; None where not known yet.
    exact
        False for an estimate: the whole song has not been verified.
    settable
        Whether its settings can be taken under the hand.
    is_hand
        Whether its settings are those that are under the hand.
    """

    key: str
    name: str
    lufs: float | None = None
    loudest_part_lufs: float | None = None
    true_peak_dbtp: float | None = None
    score: float | None = None
    costs: Costs | None = None
    met: bool | None = None
    exact: bool = False
    settable: bool = True
    is_hand: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Meter:
    """Reduction of a stage in dB, negative where it adds: typical and largest, when that is, and the stage's trim."""

    typical_db: float
    most_db: float
    most_at_s: float | None = None
    trim_db: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CurvePoint:
    """One loudness of the curve; no score where it has not been found yet, or is out of reach (`met` False)."""

    lufs: float
    score: float | None = None
    met: bool | None = None
    limiter_score: float | None = None
    trade_score: float | None = None
    words: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveFacts:
    """The curve as far as it is found: points from quiet to loud, where it bends, and what it says in all.

    `running` while it is being found; one that is neither complete nor running was stopped. `ceiling_dbtp` is that of
    all points; None where it is not known.
    """

    points: tuple[CurvePoint, ...]
    complete: bool
    running: bool = False
    ceiling_dbtp: float | None = None
    knee_lufs: float | None = None
    statement: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class BounceFacts:
    """A file of the user's beside the song: its version, and its comparison with mix and plan once there is one.

    `judges` are the versions that it may be held against, names by key; `judged_by` the name of the one that it was.
    """

    key: str
    name: str
    report: Sequence[Block] | None = None
    judges: Mapping[str, str] = field(default_factory=dict)
    judged_by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceFacts:
    """A reference for tone, and whether the next search looks at it."""

    name: str
    on: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class ChoiceFacts:
    """What blind choices tell in sentences, whether that moves a weight, and whether searches are to go by it."""

    sentences: tuple[str, ...]
    file: str
    moves: bool = False
    on: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class SongFacts:
    """Everything that the page of one song shows.

    Attributes
    ----------
    files
        Where the song lies.
    duration_s, rate_hz, channels
        Of the mix.
    chain, settings
        The stages there are, and those under the hand with their settings.
    put_away
        Stages that are switched off, with what they would come back with.
    locks
        Settings that neither a search nor the solver may move.
    target_lufs, of_loudest_part, ceiling_dbtp
        What is wanted.
    revision
        Counts up whenever something else is under the hand: a page tells by it which of two parts is older.
    undo, redo
        Whether there is a step to go back to, or forward.
    checked, looks
        The check of the mix, and what there is to see and hear of it; None until done.
    hand, kept, suggestion, limiter
        What is known of the versions; `kept` the last one first.
    same
        Which version has the settings under the hand; empty where none has.
    meters
        Of the stages under the hand.
    weights
        Of the score.
    sheet
        The suggestion's sheet.
    own_tools, on_tools
        Whether the configuration names tools of the user's own, and how these have to stand for what is under the hand;
        None where that was not found.
    curve
        The loudness curve; None before anybody asked for it.
    course
        The song on one axis of time, with the last render of your settings that was verified.
    course_is_now
        Whether that is what is under the hand.
    bounces, references, delivery
        Files beside it, and what is told of the files that went out.
    choices
        What blind choices tell; None where nobody asked.
    takes
        By action (`search`, `around`, `curve`, `deliver`): how long it takes here, in s.
    """

    files: SongFiles
    duration_s: float
    rate_hz: int
    channels: int
    chain: ChainPlan
    settings: ChainSettings
    target_lufs: float
    ceiling_dbtp: float
    hand: Known
    weights: Weights
    of_loudest_part: bool = False
    put_away: Mapping[StageName, StageSettings] = field(default_factory=dict)
    locks: frozenset[Place] = frozenset()
    revision: int = 0
    undo: bool = False
    redo: bool = False
    checked: Checked | None = None
    looks: Looks | None = None
    same: str = ""
    kept: tuple[Known, ...] = ()
    suggestion: Known | None = None
    limiter: Known | None = None
    meters: Mapping[StageName, Meter] = field(default_factory=dict)
    sheet: Sheet | None = None
    own_tools: bool = False
    on_tools: OnToolsFacts | None = None
    curve: CurveFacts | None = None
    course: SongCurves | None = None
    course_is_now: bool = True
    bounces: tuple[BounceFacts, ...] = ()
    references: tuple[ReferenceFacts, ...] = ()
    delivery: Sequence[Block] | None = None
    choices: ChoiceFacts | None = None
    takes: Mapping[str, float] = field(default_factory=dict)
