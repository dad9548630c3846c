"""What is heard and known of the settings under the hand, from a turn to the last word on the whole song."""

import math
import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from pathlib import Path

from autochain.audio.mix import Mix, Samples
from autochain.chain.output import kept_frames
from autochain.chain.settings import OUTPUT, ChainSettings
from autochain.config.model import Config, Target
from autochain.desk.hand import Hand, HandState
from autochain.desk.place import PlayedPlace, Turned
from autochain.desk.renders import Passing, Renders
from autochain.desk.sheet_figures import VersionFigures, levels_of
from autochain.desk.whole import WholeSong
from autochain.errors import UsageError
from autochain.measure.measurement import LevelFigures
from autochain.search.costs import FLOOR_NMR_DB, Costs, score
from autochain.search.result import OnSheet
from autochain.solve.solved import Guess

_AHEAD_S = 0.5  # how long before what is heard a new place begins, and how long before its end one is too late
_MOST_VERIFIED = 30


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HandVerdict:
    """The last word on a state: its figures, and what a sheet is made of where it was verified here."""

    figures: VersionFigures
    found: OnSheet | None


_Judged = tuple[ChainSettings, Target]  # what a verdict is about: no lock changes it, nor what is switched off


def _judged(state: HandState) -> _Judged:
    return state.active, state.target


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Now:
    """What is heard of the settings under the hand; replaced as a whole."""

    place: PlayedPlace
    turned: Turned
    revision: int


class UnderHand:
    """The settings under the hand.

    Parameters
    ----------
    mix, config, levels
        The song, the configuration, and how loud the mix is.
    renders
        Where whole renders lie.
    path
        Where the hand is written at every change.
    """

    def __init__(self, mix: Mix, config: Config, levels: LevelFigures, renders: Renders, path: Path) -> None:
        self._mix, self._config, self._levels, self._renders, self._path = mix, config, levels, renders, path
        self.chain = config.chain_plan
        self._lock = threading.RLock()  # held for an instant
        self._turning = threading.RLock()  # one turn at a time
        self._listening = threading.Lock()
        self._hand: Hand | None = None
        self._now: Now | None = None
        self._elsewhere: tuple[int, Passing] | None = None
        self._verdicts: OrderedDict[_Judged, HandVerdict] = OrderedDict()
        self._base: HandState | None = None  # the state verified last
        self._estimated: tuple[Now, HandVerdict | None, VersionFigures] | None = None
        self.revision = 0

    def begin(self, state: HandState, figures: VersionFigures | None) -> str | None:
        """Put the first settings under the hand, or go on where it was left; what to say of a file that is no good."""
        hand = Hand(state, self._path, chain=self.chain, fits=self._fits)
        said = hand.read()
        with self._turning, self._lock:
            self._hand, self._now = hand, None
            self.revision += 1
            if figures is not None:
                self._keep(state, HandVerdict(figures=figures, found=None))
        return said

    def resume(self, start: HandState) -> bool:
        """Go on where the hand was left, where it was; `start` would stand in for a file that is no good."""
        hand = Hand(start, self._path, chain=self.chain, fits=self._fits)
        if not self._path.exists() or not hand.readable():
            return False
        self.begin(start, None)
        return True

    @property
    def state(self) -> HandState | None:
        """What is under the hand; None until that is known."""
        hand = self._hand
        return None if hand is None else hand.state

    @property
    def can_undo(self) -> bool:
        """Whether there is a step back."""
        return self._hand is not None and self._hand.can_undo

    @property
    def can_redo(self) -> bool:
        """Whether there is a step forth."""
        return self._hand is not None and self._hand.can_redo

    @property
    def now(self) -> Now | None:
        """The place as it was solved last; None before that."""
        return self._now

    @property
    def verdict(self) -> HandVerdict | None:
        """The last word on what is under the hand; None while there is an estimate only."""
        with self._lock:
            state = self.state
            return None if state is None else self._verdicts.get(_judged(state))

    # Turning

    def changing(self, at_s: float, change: Callable[[Hand], object]) -> Now:
        """Change what is under the hand, and solve the place that holds a time of the mix."""
        with self._turning:
            change(self.there)
            return self._solved(at_s)

    def taking(self, at_s: float, state: HandState, figures: VersionFigures | None) -> Now:
        """Take another state, of which the figures may be known."""
        with self._turning:
            hand = self.there
            hand.take(state)
            if figures is not None and _judged(hand.state) not in self._verdicts:
                self._keep(hand.state, HandVerdict(figures=figures, found=None))
            return self._solved(at_s)

    def moved(self, start_s: float) -> Now:
        """Move the place that repeats."""
        with self._turning:
            return self._solved(start_s, move=True)

    def judge(self, state: HandState, whole: WholeSong) -> HandState:
        """Take the last word on a state; drive and trim stand as they came out, also under the hand if it is there."""
        found = whole.found
        figures = VersionFigures(levels=levels_of(found.after), costs=found.costs, score=found.score, met=found.met)
        with self._turning:
            hand = self.there
            here = hand.state == state
            if here:
                hand.settle(found.settings)
                state = hand.state
            else:
                state = state.settled(found.settings)
            self._renders.put(self.chain, state.active, whole.render)
            self._keep(state, HandVerdict(figures=figures, found=found))
            now = self._now
            if now is not None:
                self._stand(now.place)
            with self._lock:
                if here:
                    self.revision += 1
        return state

    def _keep(self, state: HandState, verdict: HandVerdict) -> None:
        with self._lock:
            self._verdicts[_judged(state)] = verdict
            self._verdicts.move_to_end(_judged(state))
            while len(self._verdicts) > _MOST_VERIFIED:
                self._verdicts.popitem(last=False)
            self._base = state

    @property
    def there(self) -> Hand:
        """The hand itself; UsageError before there is one."""
        if self._hand is None:
            raise UsageError("nothing is under the hand yet: the mix is being measured. Wait a moment.")
        return self._hand

    def _solved(self, at_s: float, *, move: bool = False) -> Now:
        """Solve the place; another one where the time lies outside of it."""
        with self._turning, self._renders.held():
            was, state = self._now, self.there.state
            inside = was is not None and was.place.start_s <= at_s <= was.place.stop_s - _AHEAD_S
            if was is not None and inside and not move:
                place = was.place
            else:
                place = self._placed(at_s if move else max(0.0, at_s - _AHEAD_S), state)
            turned = place.turned(state, Guess() if was is None else was.turned.guess)
            with self._lock:
                self.revision += 1
                self._now = Now(place=place, turned=turned, revision=self.revision)
                return self._now

    def _placed(self, start_s: float, state: HandState) -> PlayedPlace:
        lufs, config = state.target.heard_lufs(self._levels), self._config
        place = PlayedPlace(
            self._mix,
            start_s,
            -math.inf if lufs is None else lufs,
            chain=self.chain,
            drive=config.search.drive,
            weights=config.weights,
        )
        self._stand(place)
        return place

    def _stand(self, place: PlayedPlace) -> None:
        """Let a place stand on what was verified last."""
        with self._lock:
            base = self._base
            verdict = None if base is None else self._verdicts.get(_judged(base))
        if base is not None and verdict is not None:
            heard = base.target.heard_lufs(verdict.figures.levels)
            if heard is not None:
                place.stand_on(base.active, heard)

    def _fits(self, state: HandState) -> None:
        """Refuse what no range forbids and no stage can do."""
        rate_hz, before = self._mix.rate_hz, None if self._hand is None else self._hand.state.settings
        for name, own in state.settings.items():
            if before is None or before.of(name) != own:
                self.chain.stages[name].start(rate_hz, self._mix.channels, own)
        kept_frames(len(self._mix.samples), rate_hz, state.settings[OUTPUT])

    # Hearing and knowing

    def sound(self, first: int, frames: int) -> Samples:
        """The exact render where there is one, the place where it is inside, else rendered where it is asked for."""
        with self._lock:
            state, now = self.there.state, self._now
            exact = _judged(state) in self._verdicts
        if exact:
            return self._renders.read(self.chain, state.active, first, frames)
        if now is None:
            now = self._solved(first / self._mix.rate_hz)
        place, turned = now.place, now.turned
        if place.start_frame <= first and first + frames <= place.stop_frame:
            return turned.samples[first - place.start_frame : first - place.start_frame + frames]
        with self._listening:
            kept = self._elsewhere
            if kept is None or kept[0] != now.revision or kept[1].at != first:
                kept = self._elsewhere = now.revision, Passing(self._mix, self.chain, turned.settings, first)
            return kept[1].take(frames)

    def figures(self) -> VersionFigures | None:
        """What is known at once: of an estimate no costs."""
        with self._lock:
            state, now, verdict = self.state, self._now, self.verdict
        if state is None or verdict is not None:
            return None if verdict is None else verdict.figures
        target = state.target
        lufs = target.loudness_lufs - (0.0 if now is None else now.turned.missing_lu)
        return VersionFigures(
            levels=LevelFigures(
                integrated_lufs=None if target.of_loudest_part else lufs,
                max_short_term_lufs=lufs if target.of_loudest_part else None,
                true_peak_dbtp=None,
            ),
            costs=None,
            score=None,
            met=now is None or now.turned.met,
            exact=False,
        )

    def estimate(self) -> VersionFigures | None:
        """The same with costs: those of what was verified last, and what the place says has changed since."""
        with self._lock:
            known, now, verdict = self.figures(), self._now, self.verdict
            base = None if self._base is None else self._verdicts.get(_judged(self._base))
            done = self._estimated
        if known is None or verdict is not None or now is None:
            return known
        if done is not None and done[:2] == (now, base):  # every part of a page asks for it
            return done[2]
        costs, before = now.place.costs(now.turned), now.place.base_costs()
        if base is not None and base.figures.costs is not None and before is not None:
            costs = _moved(base.figures.costs, before, costs)
        told = replace(known, costs=costs, score=score(costs, self._config.weights))
        with self._lock:
            self._estimated = now, base, told
        return told


def _moved(whole: Costs, before: Costs, after: Costs) -> Costs:
    """Costs of the whole, each moved by as much as it moved at the place, and never under what there is least of it."""
    return Costs(
        **{
            f.name: max(
                FLOOR_NMR_DB if f.name.endswith("nmr_db") else 0.0,
                getattr(whole, f.name) + getattr(after, f.name) - getattr(before, f.name),
            )
            for f in fields(Costs)
        }
    )
