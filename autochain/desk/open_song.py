"""Everything of the one song that is open: what can be heard of it, what is under the hand, what is kept.

Calls from any thread. What is heard never waits for a job: a job takes the lock only to hand over what it found.
"""

import math
import threading
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

from autochain.audio.files import read_mix
from autochain.audio.mix import Samples
from autochain.chain.chain import ChainPlan
from autochain.chain.settings import NOTHING_SET, ChainSettings, Value
from autochain.config import read_config
from autochain.config.model import Target
from autochain.curve.point import Point
from autochain.desk import song_jobs
from autochain.desk.bounces import SongBounce, read_bounce
from autochain.desk.curve_facts import of_file as curve_of_file
from autochain.desk.facts import CurveFacts
from autochain.desk.folder import SongFiles
from autochain.desk.hand import Hand, HandState, aimed, start_of
from autochain.desk.kept import Kept
from autochain.desk.place import Turned
from autochain.desk.renders import Renders
from autochain.desk.sheet_figures import SheetVersion, VersionFigures, levels_of, sheet_version
from autochain.desk.ticked import Ticked
from autochain.desk.under_hand import Now, UnderHand
from autochain.desk.versions import BEST, HAND, LIMITER_ALONE, MIX, POINT, TRADE, Heard, SongVersion
from autochain.desk.whole import WholeSolver
from autochain.desk.work import DeskJob
from autochain.errors import AutochainError, ParameterError, UsageError
from autochain.given import quoted
from autochain.measure.loudness import integrated_lufs, short_term_lufs, weighted_hops
from autochain.measure.measurement import LevelFigures
from autochain.page.closeups import Looks
from autochain.page.pictures.song import SongCurves
from autochain.progress import Progress, Stop, silent
from autochain.render.delivery import Delivery
from autochain.search.baselines import BASELINE_WORDS, LIMITER_ONLY, TRADE_DEFAULT
from autochain.search.request import never
from autochain.search.run import MeasuredMix
from autochain.search.space import outline_at
from autochain.search.verify import SUGGESTION
from autochain.sheet.model import OnToolsFacts
from autochain.solve.decisions import Decisions
from autochain.tasks.compare import Compared
from autochain.units import number

_BASELINES = {LIMITER_ALONE: LIMITER_ONLY, TRADE: TRADE_DEFAULT}


def nobody(what: str) -> None:
    """Nobody is told."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Audible:
    """A version that settings make of the mix.

    Attributes
    ----------
    name
        What it is called.
    chain, settings
        Stages in order, and their complete settings.
    figures
        What is known of it; None where nothing is.
    start
        What comes under the hand when it is taken; None where a hand cannot have it.
    path
        Its sheet; None where there is none.
    on_tools
        How the user's own tools have to stand for it; None where its sheet does not tell.
    """

    name: str
    chain: ChainPlan
    settings: ChainSettings
    figures: VersionFigures | None
    start: HandState | None = None
    path: Path | None = None
    on_tools: OnToolsFacts | None = None

    def sounds_like(self, other: "Audible") -> bool:
        """Whether both are the same to hear."""
        return self.settings == other.settings and list(self.settings) == list(other.settings)


class OpenSong:
    """One song.

    Parameters
    ----------
    files
        The mix, and where everything of it lies.
    changed
        Told, from whichever thread, what has become another: `versions`, `hand`, `costs`, `measured`, `curve`,
        `compared`, `delivered`, `said`.
    plan
        A configuration over the packaged one.

    Attributes
    ----------
    mix, config, chain
        The song, the configuration, the stages in order.
    measured
        The mix, measured; None before that.
    sheet
        The suggestion; None where there is none.
    told
        What there is to know of it, a line each.
    ticked
        References dropped on the page, and which of them a search looks at.
    compared
        What was found of bounces, by key, each with what it was held against.
    looks
        What there is to see of the check's findings; None until they are known.
    course, course_of
        The song over time as it was verified last, and with which settings for which target; None until then.
    curve
        The loudness curve as far as it is found; None before.
    delivery
        What went out from here; None before.
    by_choices
        Whether searches weigh the costs by what blind choices tell; not unless that was asked for.
    measuring
        Held while the mix is measured: that is done once.
    wanted
        Loudness and ceiling that the first settings are to have.

    Raises
    ------
    AudioFileError
        A mix that cannot be used.
    """

    def __init__(
        self, files: SongFiles, changed: Callable[[str], None] = nobody, *, plan: Path | None = None
    ) -> None:
        self.files, self.plan = files, plan
        self.mix = read_mix(files.path)
        self.config = read_config(plan)
        self.chain = self.config.chain_plan
        self.told: list[str] = []
        self.measured: MeasuredMix | None = None
        self.sheet: SheetVersion | None = None
        self.ticked = Ticked(files.references)
        self.compared: dict[str, tuple[str, Compared]] = {}
        self.looks: Looks | None = None
        self.course: SongCurves | None = None
        self.course_of: tuple[ChainSettings, Target] | None = None
        self.curve: CurveFacts | None = None
        self.delivery: Delivery | None = None
        self.by_choices = False
        self.changed = changed
        self._lock = threading.RLock()
        self.measuring = threading.RLock()
        self.wanted = self.config.target
        self._renders = Renders(self.mix)
        self._levels = _levels_of(self.mix.samples, self.mix.rate_hz)
        self.kept = Kept(files.versions)
        self.hand = UnderHand(self.mix, self.config, self._levels, self._renders, files.versions / "hand.json")
        self.whole = WholeSolver(self.mix, self.chain, self.config.search.drive, self.config.weights)
        self._audible: dict[str, Audible] = {}
        self._revisions: dict[str, int] = {}
        self._bounces: dict[str, SongBounce] = {}
        self._read_curve()
        self.read_versions()
        if self.sheet is not None and (start := self._start_of(self.sheet)) is not None:
            self.begin(start, self.sheet.figures)
        else:  # what was turned before any search is there before the mix is measured
            target = self.config.target
            first = outline_at(self.config.search.trade_default, Decisions(), target.ceiling_dbtp, self.chain)
            self.hand.resume(HandState(settings=first.settings, target=target))

    def close(self) -> None:
        """End what goes on in the background; the files of renders go with it."""
        self._renders.close()

    # Facts

    @property
    def frames(self) -> int:
        """Length of every version."""
        return len(self.mix.samples)

    @property
    def state(self) -> HandState | None:
        """What is under the hand; None until that is known."""
        return self.hand.state

    @property
    def settings(self) -> ChainSettings:
        """Settings of the stages that are on; none while nothing is under the hand."""
        state = self.state
        return NOTHING_SET if state is None else state.active

    @property
    def can_undo(self) -> bool:
        """Whether there is a step back."""
        return self.hand.can_undo

    @property
    def can_redo(self) -> bool:
        """Whether there is a step forth."""
        return self.hand.can_redo

    @property
    def turned(self) -> Turned | None:
        """The place as it was solved last."""
        now = self.hand.now
        return None if now is None else now.turned

    def estimate(self) -> VersionFigures | None:
        """What is known of the settings under the hand; costs of an estimate are made here, in some 10 ms."""
        return self.hand.estimate()

    def beside(self) -> dict[str, VersionFigures]:
        """What is known of the other versions."""
        with self._lock:
            return {key: one.figures for key, one in self._audible.items() if one.figures is not None}

    def like_hand(self) -> frozenset[str]:
        """Keys of the versions that have the settings under the hand, for the same target."""
        state = self.state
        if state is None:
            return frozenset()
        with self._lock:
            return frozenset(
                key
                for key, one in self._audible.items()
                if one.start is not None and (one.start.active, one.start.target) == (state.active, state.target)
            )

    def on_tools(self) -> tuple[str, OnToolsFacts | None]:
        """Which version tells how the user's own tools stand for what is under the hand, and how; "", None if none."""
        same = self.like_hand()
        with self._lock:
            told = ((key, one.on_tools) for key, one in self._audible.items() if key in same and one.on_tools)
            return next(told, ("", None))

    # What is heard

    def versions(self) -> tuple[SongVersion, ...]:
        """What can be heard."""
        with self._lock:
            own = self._levels.integrated_lufs
            heard = [SongVersion(key=MIX, name="mix", revision=1, lufs=own, gain_db=0.0, exact=True)]
            if self.state is not None:
                heard.append(_version(HAND, "your settings", self.hand.revision, self.hand.figures()))
            for key, one in self._audible.items():
                heard.append(_version(key, one.name, self._revisions[key], one.figures, one.start))
            for key, bounce in self._bounces.items():
                lufs = bounce.levels.integrated_lufs
                revision = self._revisions[key]
                heard.append(
                    SongVersion(key=key, name=bounce.name, revision=revision, lufs=lufs, gain_db=0.0, exact=True)
                )
        quietest = min((one.lufs for one in heard if one.lufs is not None), default=0.0)
        return tuple(one if one.lufs is None else replace(one, gain_db=quietest - one.lufs) for one in heard)

    def sound(self, key: str, revision: int, first: int, frames: int) -> Samples:
        """Samples of a version from a frame of the mix on, float32 of shape (frames, channels), fewer at its end.

        Raises
        ------
        UsageError
            No such version, or frames that no song has.
        """
        if first < 0 or frames < 0:
            raise UsageError(f"frames {first} to {first + frames} are in no song. Load the page again.")
        frames = max(0, min(frames, self.frames - first))
        if key == MIX:
            return self.mix.samples[first : first + frames]
        if key == HAND:
            return self.hand.sound(first, frames)
        with self._lock:
            one, bounce = self._audible.get(key), self._bounces.get(key)
        if bounce is not None:
            return bounce.stored.read(first, frames)
        if one is None:
            raise UsageError(f"there is no version {quoted(key)}. Load the page again.")
        return self._renders.read(one.chain, one.settings, first, frames)

    # What is under the hand

    def turn(self, stage: str, parameter: str, value: Value, at_s: float) -> Heard:
        """Set one setting, and solve the place that holds a time of the mix."""
        return self._changing(at_s, lambda hand: hand.turn(stage, parameter, value))

    def switch(self, stage: str, on: bool, at_s: float) -> Heard:
        """Switch a stage on or off."""
        return self._changing(at_s, lambda hand: hand.switch(stage, on))

    def lock(self, stage: str, parameter: str, on: bool, at_s: float) -> Heard:
        """Lock a setting, or let it go."""
        return self._changing(at_s, lambda hand: hand.lock(stage, parameter, on))

    def aim(
        self,
        at_s: float,
        *,
        lufs: float | None = None,
        loudest_part_lufs: float | None = None,
        ceiling_dbtp: float | None = None,
    ) -> Heard | None:
        """Want another loudness or ceiling; None as long as there are no settings, which will have it then."""
        with self._lock:
            if self.state is None:
                self.wanted = aimed(self.wanted, lufs, loudest_part_lufs, ceiling_dbtp)
                self.changed("hand")
                return None
        return self._changing(at_s, lambda hand: hand.aim(lufs, loudest_part_lufs, ceiling_dbtp))

    def undo(self, at_s: float) -> Heard:
        """One step back, if there is one."""
        return self._changing(at_s, lambda hand: hand.undo())

    def redo(self, at_s: float) -> Heard:
        """One step forth, if there is one."""
        return self._changing(at_s, lambda hand: hand.redo())

    def take(self, key: str, at_s: float) -> Heard:
        """Take the settings of a version under the hand.

        Raises
        ------
        UsageError
            No such version, or one without settings that a hand can have.
        """
        with self._lock:
            one = self._audible.get(key)
        if one is None or one.start is None:
            raise UsageError(f"the version {quoted(key)} has no settings to be taken. Choose another one.")
        exact = one.figures if one.figures is not None and one.figures.exact else None
        return self._told(self.hand.taking(_time(at_s), one.start, exact))

    def place(self, start_s: float) -> Heard:
        """Move the place that repeats."""
        return self._told(self.hand.moved(_time(start_s)))

    def _changing(self, at_s: float, change: Callable[[Hand], object]) -> Heard:
        return self._told(self.hand.changing(_time(at_s), change))

    def _told(self, now: Now) -> Heard:
        gain_db = next(one.gain_db for one in self.versions() if one.key == HAND)
        place = now.place
        return Heard(start_s=place.start_s, stop_s=place.stop_s, revision=now.revision, gain_db=gain_db)

    def begin_at(self, wanted: Target, state: HandState) -> None:
        """Begin with settings that were made for a target, where that is still the one that is wanted."""
        with self._lock:
            if self.state is None and self.wanted == wanted:
                self.begin(state, None)

    def begin(self, state: HandState, figures: VersionFigures | None) -> None:
        """Put the first settings under the hand, or those that were left there."""
        said = self.hand.begin(state, figures)
        if said is not None:
            self.tell(said)
        self.changed("hand")
        self.changed("versions")

    # What is kept

    def keep(self, name: str, *, instead: bool = False, progress: Progress = silent, stop: Stop = never) -> SongVersion:
        """Keep what is under the hand as a sheet under a name; it is verified first where it is not yet.

        Raises
        ------
        UsageError
            A name that is none, or is taken while `instead` is off.
        StoppedError
            Stopped before it was verified.
        """
        if not instead:
            self.kept.refuse_taken(name)
        kept = self.kept.keep(name, song_jobs.sheet_of_hand(self, progress, stop, on_tools=True), instead=instead)
        self.read_versions()
        self.changed("hand")  # its sheet may tell what to set on the user's own tools
        return next(one for one in self.versions() if one.key == kept.key)

    def rename(self, key: str, name: str) -> None:
        """Give a kept version another name."""
        self.kept.rename(self._kept_name(key), name)
        self.read_versions()

    def drop(self, key: str) -> None:
        """Delete a kept version, or leave a bounce out; its file stays."""
        with self._lock:
            bounce = self._bounces.pop(key, None)
        if bounce is None:
            self.kept.drop(self._kept_name(key))
        self.read_versions()

    def _kept_name(self, key: str) -> str:
        for one in self.kept.all()[0]:
            if one.key == key:
                return one.name
        raise UsageError(f"there is no kept version {quoted(key)}. Load the page again.")

    def sheet_path(self, key: str) -> Path | None:
        """Sheet of a version; None where it has none on disk."""
        with self._lock:
            one = self._audible.get(key)
        return None if one is None else one.path

    @property
    def references(self) -> tuple[Path, ...]:
        """Songs whose balance a search may move toward."""
        return tuple(path for path, on in self.ticked.all() if on)

    def reference(self, name: str, on: bool) -> None:
        """Let the next search look at a reference, or not; UsageError where there is none of that name."""
        self.ticked.tick(name, on)

    def add_bounce(self, path: Path) -> SongVersion:
        """Lay a bounce or an earlier master under the mix; AudioFileError, DifferentMaterialError as `compare`."""
        bounce = read_bounce(path, self.mix)
        with self._lock:
            self._bounces[bounce.key] = bounce
            self._revisions[bounce.key] = self._revisions.get(bounce.key, 0) + 1
        self.changed("versions")
        return next(one for one in self.versions() if one.key == bounce.key)

    def bounce(self, key: str) -> SongBounce:
        """A bounce that was added; UsageError where there is none."""
        with self._lock:
            if key in self._bounces:
                return self._bounces[key]
        raise UsageError(f"{quoted(key)} is no bounce. Drop a file on the page first.")

    # Versions that settings make

    def read_versions(self) -> None:
        """Read what lies in the folder: the suggestion, kept versions, points of the curve."""
        found: dict[str, Audible] = {}
        self.sheet = self._sheet_at(self.files.sheet)
        if self.sheet is not None:
            found[SUGGESTION] = self.audible("suggestion", self.sheet, self.files.sheet)
            for key, name in _BASELINES.items():
                if name in self.sheet.baselines:
                    settings, figures = self.sheet.baselines[name]
                    start = start_of(settings, self.sheet.target, {}, self.chain)
                    found[key] = Audible(
                        name=BASELINE_WORDS[name], chain=self.chain, settings=settings, figures=figures, start=start
                    )
        kept, refused = self.kept.all()
        for line in refused:
            self.tell(line)
        for one in kept:
            found[one.key] = self.audible(one.name, one.version, one.path)
        for path, lufs in _points_in(self.files):
            # Of a curve with another ceiling that was found before this one, points may be left.
            if (version := self._sheet_at(path)) is not None and self._on_curve(version):
                found[f"{POINT}{lufs:g}"] = self.audible(f"at {number(lufs, 'LUFS')}", version, path)
        with self._lock:
            now = {key: one for key, one in self._audible.items() if key == BEST}
            self._put({**found, **now})
        self.changed("versions")

    def _read_curve(self) -> None:
        """Read the curve that lies in the folder."""
        if self.files.curve.exists():
            try:
                self.curve = curve_of_file(self.files.curve)
            except AutochainError as error:
                self.tell(str(error).split("\n")[0])

    def _on_curve(self, point: SheetVersion) -> bool:
        ceiling_dbtp = None if self.curve is None else self.curve.ceiling_dbtp
        return ceiling_dbtp is None or ceiling_dbtp == point.target.ceiling_dbtp

    def hear(self, key: str, one: Audible | None) -> None:
        """Let a version be heard that is not on disk yet; None takes it away."""
        with self._lock:
            left = {name: known for name, known in self._audible.items() if name != key}
            self._put(left if one is None else {**left, key: one})
        self.changed("versions")

    def _put(self, found: dict[str, Audible]) -> None:
        for key, one in found.items():
            was = self._audible.get(key)
            if was is None or not was.sounds_like(one):
                self._revisions[key] = self._revisions.get(key, 0) + 1
        self._audible = found

    def audible(self, name: str, one: SheetVersion, path: Path | None) -> Audible:
        """A sheet as a version."""
        return Audible(
            name=name,
            chain=one.chain,
            settings=one.settings,
            # Of a sheet that was edited, what it aims at: nothing is played as loud as a master beside a mix.
            figures=one.figures
            or VersionFigures(levels=_at(one.target), costs=None, score=None, met=False, exact=False),
            start=self._start_of(one),
            path=path,
            on_tools=None if one.said is None else one.said.on_tools,
        )

    def best(self, settings: ChainSettings, score: float, state: HandState) -> None:
        """Let the best so far of a search be heard."""
        figures = VersionFigures(levels=_at(state.target), costs=None, score=score, met=True, exact=False)
        start = replace(state, settings=self.chain.checked(self.chain.rounded(settings)), off=frozenset())
        self.hear(BEST, Audible(name="best so far", chain=self.chain, settings=settings, figures=figures, start=start))

    def point(self, point: Point, state: HandState) -> None:
        """Let a point of the curve be heard as soon as it is found."""
        chosen, lufs = point.chosen, point.target_lufs
        figures = VersionFigures(levels=levels_of(chosen.after), costs=chosen.costs, score=chosen.score, met=chosen.met)
        target = state.target.model_copy(update={"lufs": lufs, "loudest_part_lufs": None})
        start = replace(state, settings=self.chain.checked(chosen.settings), off=frozenset(), target=target)
        name = f"at {number(lufs, 'LUFS')}"
        one = Audible(name=name, chain=self.chain, settings=chosen.settings, figures=figures, start=start)
        self.hear(f"{POINT}{lufs:g}", one)
        self.changed("curve")

    def _start_of(self, one: SheetVersion) -> HandState | None:
        """A sheet as the hand can have it; None where its order of stages, or a range, is not that of the hand."""
        if [stage for stage in self.chain.stages if stage in one.settings] != list(one.settings):
            return None
        with suppress(AutochainError):
            return start_of(one.settings, one.target, one.sheet.locks, self.chain)
        return None

    def _sheet_at(self, path: Path) -> SheetVersion | None:
        if not path.exists():
            return None
        try:
            return sheet_version(path)
        except AutochainError as error:
            self.tell(str(error).split("\n")[0])
            return None

    def tell(self, words: str) -> None:
        """Tell one line, once."""
        if words not in self.told:
            self.told.append(words)
            self.changed("said")

    # Jobs

    def measure_job(self) -> DeskJob:
        """Measure the mix, and put something under the hand where nothing is."""
        return self._job("measuring", "measure", lambda progress, stop: song_jobs.measure(self, progress))

    def verify_job(self) -> DeskJob:
        """Verify what is under the hand on the whole song."""
        return self._job(
            "verifying your settings", "verify", lambda p, stop: song_jobs.verify_song(self, p, stop), short=True
        )

    def keep_job(self, name: str, *, instead: bool = False) -> DeskJob:
        """Keep what is under the hand."""

        def run(progress: Progress, stop: Stop) -> None:
            self.keep(name, instead=instead, progress=progress, stop=stop)

        return self._job(f"keeping {quoted(name)}", "keep", run, short=True)

    def search_job(self, around: bool) -> DeskJob:
        """Search for a suggestion, anew or around what is under the hand."""
        words = "searching around your settings" if around else "searching"

        def run(progress: Progress, stop: Stop) -> None:
            song_jobs.search(self, around, progress, stop)

        return self._job(words, "search", run, best_so_far=True)

    def curve_job(self, quiet_lufs: float = -14.0, loud_lufs: float = -6.0, step_lu: float = 1.0) -> DeskJob:
        """Trace what each loudness costs."""

        def run(progress: Progress, stop: Stop) -> None:
            song_jobs.trace_curve(self, quiet_lufs, loud_lufs, step_lu, progress, stop)

        return self._job("finding what each loudness costs", "curve", run, best_so_far=True)

    def deliver_job(self, formats: Sequence[str] = (), key: str = HAND) -> DeskJob:
        """Write the files that go out, of what is under the hand or of another version that has a sheet."""

        def run(progress: Progress, stop: Stop) -> None:
            song_jobs.deliver_version(self, formats, key, progress, stop)

        return self._job("writing the files that go out", "deliver", run)

    def compare_job(self, key: str, by: str = "") -> DeskJob:
        """Compare a bounce with the mix, and with a version that has a sheet: the likeliest one, or as `by` says."""

        def run(progress: Progress, stop: Stop) -> None:
            song_jobs.compare(self, key, by, progress, stop)

        return self._job("comparing", "compare", run)

    def bounce_job(self, path: Path) -> DeskJob:
        """Lay a bounce or an earlier master under the mix."""

        def run(progress: Progress, stop: Stop) -> None:
            self.add_bounce(path)

        return self._job(f"reading {quoted(path.name)}", f"bounce {path}", run, short=True)

    def _job(
        self,
        words: str,
        kind: str,
        run: Callable[[Progress, Stop], None],
        *,
        short: bool = False,
        best_so_far: bool = False,
    ) -> DeskJob:
        return DeskJob(words=words, song=self.files.id, kind=kind, run=run, short=short, best_so_far=best_so_far)


def _version(
    key: str, name: str, revision: int, figures: VersionFigures | None, start: HandState | None = None
) -> SongVersion:
    return SongVersion(
        key=key,
        name=name,
        revision=revision,
        lufs=None if figures is None else _loudness(figures.levels),
        gain_db=0.0,
        exact=figures is not None and figures.exact,
        score=None if figures is None else figures.score,
        settable=start is not None,
    )


def _loudness(levels: LevelFigures) -> float | None:
    """Of the whole; where only that of the loudest 3 s is known that one, by which nothing gets louder than it is."""
    return levels.max_short_term_lufs if levels.integrated_lufs is None else levels.integrated_lufs


def _points_in(files: SongFiles) -> list[tuple[Path, float]]:
    """Sheets of the points of a song's curve, from quiet to loud."""
    begin, end = f"{files.stem}.at", ".sheet.json"
    found = []
    for path in files.out.iterdir() if files.out.is_dir() else ():
        if path.name.startswith(begin) and path.name.endswith(end):
            with suppress(ValueError):
                found.append((path, float(path.name[len(begin) : -len(end)])))
    return sorted(found, key=lambda one: one[1])


def _at(target: Target) -> LevelFigures:
    """Levels of what is at its target."""
    return LevelFigures(
        integrated_lufs=target.lufs, max_short_term_lufs=target.loudest_part_lufs, true_peak_dbtp=None
    )


def _levels_of(samples: Samples, rate_hz: int) -> LevelFigures:
    hops = weighted_hops(samples, rate_hz)
    short = short_term_lufs(hops)
    return LevelFigures(
        integrated_lufs=integrated_lufs(hops),
        max_short_term_lufs=float(short.max()) if short.size else None,
        true_peak_dbtp=None,
    )


def _time(value: object) -> float:
    """A time in s that a page has given."""
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        raise ParameterError(f"{quoted(value)} is no time. Give seconds.")
    return max(0.0, float(value))
