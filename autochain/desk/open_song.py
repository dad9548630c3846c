"""Everything of the one song that is open: what can be heard of it, what is under the hand, what is kept.

Calls from any thread. What is heard never waits for a job: whatever a job needs it makes for itself, and takes the lock
only to hand over what it found.
"""

import math
import threading
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, replace

from autochain.audio.files import read_mix
from autochain.audio.mix import Samples
from autochain.chain.chain import ChainPlan
from autochain.chain.output import kept_frames
from autochain.chain.settings import NOTHING_SET, OUTPUT, ChainSettings, Value
from autochain.config import read_config
from autochain.desk.folder import SongFiles
from autochain.desk.hand import Hand, HandState, start_of
from autochain.desk.place import Place, Turned
from autochain.desk.renders import Passing, Renders
from autochain.desk.sheet_figures import Figures, SheetVersion, sheet_version
from autochain.desk.versions import HAND, LIMITER_ALONE, MIX, SUGGESTION, TRADE, Heard, Version
from autochain.errors import AutochainError, ParameterError, UsageError
from autochain.given import quoted
from autochain.measure.loudness import integrated_lufs, short_term_lufs, weighted_hops
from autochain.measure.measurement import LevelFigures
from autochain.search.baselines import LIMITER_ONLY, TRADE_DEFAULT
from autochain.solve.solved import Guess

_AHEAD_S = 0.5  # how long before what is heard a new place begins, and how long before its end one is too late
_BASELINES = {LIMITER_ALONE: (LIMITER_ONLY, "limiter alone"), TRADE: (TRADE_DEFAULT, "trade default")}


def nobody(what: str) -> None:
    """Nobody is told."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Audible:
    """A version that settings make of the mix."""

    name: str
    chain: ChainPlan
    settings: ChainSettings
    figures: Figures | None
    revision: int = 1
    start: HandState | None = None  # what comes under the hand when it is taken


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Now:
    """What is heard of the settings under the hand; replaced as a whole."""

    place: Place
    turned: Turned
    revision: int


class OpenSong:
    """One song.

    Parameters
    ----------
    files
        The mix, and where everything of it lies.
    changed
        Told, from whichever thread, what has become another: `versions`, `hand`, `costs`, `measured`, `curve`, `said`.

    Raises
    ------
    AudioFileError
        A mix that cannot be used.
    """

    def __init__(self, files: SongFiles, changed: Callable[[str], None] = nobody) -> None:
        self.files = files
        self.mix = read_mix(files.path)
        self.config = read_config()
        self.chain = self.config.chain_plan
        self.told: list[str] = []
        self._changed = changed
        self._lock = threading.RLock()  # what is read when something is heard
        self._turning = threading.RLock()  # one turn at a time
        self._renders = Renders(self.mix)
        hops = weighted_hops(self.mix.samples, self.mix.rate_hz)
        short = short_term_lufs(hops)
        self._levels = LevelFigures(
            integrated_lufs=integrated_lufs(hops),
            max_short_term_lufs=float(short.max()) if short.size else None,
            true_peak_dbtp=None,
        )
        self.sheet: SheetVersion | None = None
        self._hand: Hand | None = None
        self._now: _Now | None = None
        self._elsewhere: tuple[int, Passing] | None = None
        self._listening = threading.Lock()
        self._revision = 0
        self._exact: tuple[HandState, Figures] | None = None
        self._audible: dict[str, Audible] = {}
        self._read_sheet()
        if self.sheet is not None:
            self._begin(self._start_from(self.sheet), self.sheet.figures)

    @property
    def frames(self) -> int:
        """Length of every version."""
        return len(self.mix.samples)

    @property
    def state(self) -> HandState | None:
        """What is under the hand; None until that is known."""
        return None if self._hand is None else self._hand.state

    @property
    def settings(self) -> ChainSettings:
        """Settings of the stages that are on; none while nothing is under the hand."""
        state = self.state
        return NOTHING_SET if state is None else state.active

    @property
    def can_undo(self) -> bool:
        """Whether there is a step back."""
        return self._hand is not None and self._hand.can_undo

    @property
    def can_redo(self) -> bool:
        """Whether there is a step forth."""
        return self._hand is not None and self._hand.can_redo

    @property
    def turned(self) -> Turned | None:
        """The place as it was solved last."""
        now = self._now
        return None if now is None else now.turned

    def close(self) -> None:
        """End what goes on in the background."""
        self._renders.close()

    # What is heard

    def versions(self) -> tuple[Version, ...]:
        """What can be heard."""
        with self._lock:
            own = self._levels.integrated_lufs
            heard = [Version(key=MIX, name="mix", revision=1, lufs=own, gain_db=0.0, exact=True)]
            if self._hand is not None:
                heard.append(_version(HAND, "your settings", self._revision, self._hand_figures()))
            for key, one in self._audible.items():
                heard.append(_version(key, one.name, one.revision, one.figures, one.start))
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
            return self._hand_sound(first, frames)
        with self._lock:
            one = self._audible.get(key)
        if one is None:
            raise UsageError(f"there is no version {quoted(key)}. Load the page again.")
        return self._renders.read(one.chain, one.settings, first, frames)

    def _hand_sound(self, first: int, frames: int) -> Samples:
        """The place where it is inside, the exact render where there is one, else rendered where it is asked for."""
        with self._lock:
            now, exact = self._now, self._exact
            state = self.state
        if state is None:
            raise UsageError("nothing is under the hand yet: the mix is being measured. Wait a moment.")
        if exact is not None and exact[0] == state:
            return self._renders.read(self.chain, state.active, first, frames)
        if now is None:
            now = self._solved(0.0)
        place, turned = now.place, now.turned
        if place.start_frame <= first and first + frames <= place.stop_frame:
            return turned.samples[first - place.start_frame : first - place.start_frame + frames]
        with self._listening:
            if self._elsewhere is None or self._elsewhere[0] != now.revision or self._elsewhere[1].at != first:
                self._elsewhere = now.revision, Passing(self.mix, self.chain, turned.settings, first)
            return self._elsewhere[1].take(frames)

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
    ) -> Heard:
        """Want another loudness or ceiling."""
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
        start, figures = one.start, one.figures

        def taken(hand: Hand) -> None:
            hand.take(start)
            with self._lock:
                self._exact = None if figures is None else (hand.state, figures)

        return self._changing(at_s, taken)

    def place(self, start_s: float) -> Heard:
        """Move the place that repeats."""
        with self._turning:
            now = self._solved(_time(start_s), move=True)
            return self._told(now)

    def _changing(self, at_s: float, change: Callable[[Hand], object]) -> Heard:
        at_s = _time(at_s)
        with self._turning:
            hand = self._hand
            if hand is None:
                raise UsageError("nothing is under the hand yet: the mix is being measured. Wait a moment.")
            change(hand)
            return self._told(self._solved(at_s))

    def _told(self, now: _Now) -> Heard:
        version = next(one for one in self.versions() if one.key == HAND)
        return Heard(
            start_s=now.place.start_s,
            stop_s=now.place.stop_s,
            revision=now.revision,
            gain_db=version.gain_db,
        )

    def _solved(self, at_s: float, *, move: bool = False) -> _Now:
        """Solve the place, another one where the time lies outside of it."""
        with self._turning, self._renders.held():
            was, state = self._now, self.state
            if state is None:
                raise UsageError("nothing is under the hand yet: the mix is being measured. Wait a moment.")
            inside = was is not None and was.place.start_s <= at_s <= was.place.stop_s - _AHEAD_S
            if was is not None and inside and not move:
                place = was.place
            else:
                place = self._placed(at_s if move else max(0.0, at_s - _AHEAD_S), state)
            turned = place.turned(state, Guess() if was is None else was.turned.guess)
            with self._lock:
                self._revision += 1
                self._now = _Now(place=place, turned=turned, revision=self._revision)
                return self._now

    def _placed(self, start_s: float, state: HandState) -> Place:
        lufs = state.target.heard_lufs(self._levels)
        place = Place(
            self.mix,
            start_s,
            -math.inf if lufs is None else lufs,
            chain=self.chain,
            drive=self.config.search.drive,
            weights=self.config.weights,
        )
        with self._lock:
            exact = self._exact
        if exact is not None:
            heard = state.target.heard_lufs(exact[1].levels)
            if heard is not None:
                place.stand_on(exact[0].active, heard)
        return place

    def _hand_figures(self) -> Figures | None:
        """What is known of the settings under the hand, costs aside where they are not exact."""
        state, now, exact = self.state, self._now, self._exact
        if state is None:
            return None
        if exact is not None and exact[0] == state:
            return exact[1]
        missing_lu = 0.0 if now is None else now.turned.missing_lu
        wanted, target = state.target.loudness_lufs - missing_lu, state.target
        return Figures(
            levels=LevelFigures(
                integrated_lufs=None if target.of_loudest_part else wanted,
                max_short_term_lufs=wanted if target.of_loudest_part else None,
                true_peak_dbtp=None,
            ),
            costs=None,
            score=None,
            met=now is None or now.turned.met,
            exact=False,
        )

    # Where it starts

    def _begin(self, state: HandState, figures: Figures | None) -> None:
        """Put the first settings under the hand, or those that were left there."""
        hand = Hand(state, self.files.versions / "hand.json", chain=self.chain, fits=self._fits)
        said = hand.read()
        if said is not None:
            self._tell(said)
        with self._lock:
            self._hand = hand
            if figures is not None:
                self._exact = state, figures

    def _start_from(self, one: SheetVersion) -> HandState:
        return start_of(one.settings, one.target, one.sheet.locks, self.chain)

    def _read_sheet(self) -> None:
        """Read the suggestion's sheet, if there is one that can be carried out."""
        if not self.files.sheet.exists():
            return
        try:
            self.sheet = sheet_version(self.files.sheet)
        except AutochainError as error:
            self._tell(str(error))
            return
        with self._lock:
            self._audible[SUGGESTION] = self._audible_of("suggestion", self.sheet)
            for key, (name, words) in _BASELINES.items():
                if name in self.sheet.baselines:
                    settings, figures = self.sheet.baselines[name]
                    start = start_of(settings, self.sheet.target, {}, self.chain)
                    self._audible[key] = Audible(
                        name=words, chain=self.chain, settings=settings, figures=figures, start=start
                    )

    def _audible_of(self, name: str, one: SheetVersion) -> Audible:
        start = None
        with suppress(AutochainError):  # an order that a hand does not have: it can be heard all the same
            if [stage for stage in self.chain.stages if stage in one.settings] == list(one.settings):
                start = self._start_from(one)
        return Audible(name=name, chain=one.chain, settings=one.settings, figures=one.figures, start=start)

    def _fits(self, state: HandState) -> None:
        """Refuse what no range forbids and no stage can do."""
        rate_hz, before = self.mix.rate_hz, None if self._hand is None else self._hand.state.settings
        for name, own in state.settings.items():
            if before is None or before.of(name) != own:
                self.chain.stages[name].start(rate_hz, self.mix.channels, own)
        kept_frames(self.frames, rate_hz, state.settings[OUTPUT])

    def _tell(self, words: str) -> None:
        self.told.append(words)
        self._changed("said")


def _version(key: str, name: str, revision: int, figures: Figures | None, start: HandState | None = None) -> Version:
    return Version(
        key=key,
        name=name,
        revision=revision,
        lufs=None if figures is None else figures.levels.integrated_lufs,
        gain_db=0.0,
        exact=figures is not None and figures.exact,
        score=None if figures is None else figures.score,
        settable=start is not None,
    )


def _time(value: object) -> float:
    """A time in s that a page has given."""
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        raise ParameterError(f"{quoted(value)} is no time. Give seconds.")
    return max(0.0, float(value))
