"""The whole song behind the linear stages of the settings under the hand: what has the last word on them."""

import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from autochain.audio.mix import Mix, Samples
from autochain.chain.chain import ChainPlan
from autochain.chain.settings import OUTPUT, ChainSettings
from autochain.config.model import Drive, Weights
from autochain.desk.hand import HandState
from autochain.desk.renders import Stored
from autochain.desk.work import in_one_go
from autochain.errors import StoppedError
from autochain.measure.loudness import integrated_lufs, weighted_hops
from autochain.memory import give_back
from autochain.prepare.silence_and_fades import SilenceAndFades
from autochain.progress import Stop
from autochain.search.evaluator import Evaluator
from autochain.search.result import OnSheet
from autochain.search.verify import Contender, dithered_under_ceiling, finish, verify
from autochain.solve.decisions import Decisions
from autochain.solve.excerpts import whole_song
from autochain.solve.material import Material
from autochain.solve.solved import Guess

BY_HAND = "by hand"


def refuse_stopped(stop: Stop) -> None:
    """StoppedError where an end is asked for."""
    if stop():
        raise StoppedError("Stopped before the whole song was verified.")


class _Song(Evaluator):
    """A whole song whose renders can be stopped."""

    stop: Stop

    def blocks(self, samples: Samples) -> Iterator[Samples]:
        for block in super().blocks(samples):
            refuse_stopped(self.stop)
            yield block


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WholeSong:
    """Settings verified on the whole song.

    Attributes
    ----------
    found
        As a sheet takes it: settings with drive and trim as they came out, measured by all meters, priced.
    render
        The very render.
    over_told_lu
        How much louder the song came out than the sound ahead of its drive lets expect.
    """

    found: OnSheet
    render: Stored
    over_told_lu: float


class WholeSolver:
    """Verifies settings on a song; what does not change between two turns is kept.

    Parameters
    ----------
    mix, chain
        The song, and the stages in order.
    drive, weights
        How a drive is solved, what costs weigh.
    """

    def __init__(self, mix: Mix, chain: ChainPlan, drive: Drive, weights: Weights) -> None:
        self._mix, self._chain, self._drive, self._weights = mix, chain, drive, weights
        self._kept: tuple[ChainSettings, bool, _Song] | None = None
        self._lock = threading.RLock()  # one song at a time

    def drop(self) -> None:
        """Give back what is kept: two songs and more."""
        with self._lock:
            self._kept = None
            give_back()

    def verified(
        self, state: HandState, ends: SilenceAndFades | None, stop: Stop, said: Callable[[float], None]
    ) -> WholeSong:
        """Solve the drive for the target under the ceiling, price the result, render it as it is set, and measure.

        Parameters
        ----------
        state
            What is under the hand. All of it stays but the drive, unless that is locked, and the trim, which takes
            what peaks exceed the ceiling by.
        ends
            Of the mix, from `find_silence_and_fades`; None where they are not known.
        stop, said
            Asked whether this is still wanted; told the share done.

        Raises
        ------
        StoppedError
            When `stop` says so.
        """
        with self._lock, in_one_go():
            return self._verified(state, ends, stop, said)

    def _verified(
        self, state: HandState, ends: SilenceAndFades | None, stop: Stop, said: Callable[[float], None]
    ) -> WholeSong:
        said(0.0)
        song = self._behind(state, stop)
        song.warm()
        said(0.3)
        settings = state.active.with_(OUTPUT, trim_db=0.0)
        # Told by the sound ahead of it, wherever the hand came from: the same settings give the same figures.
        guess = Guess(over_told_lu=None if state.drive_locked else 0.0)
        contender = Contender(
            name=BY_HAND, settings=settings, target=state.target, decisions=Decisions(locks=state.kept), guess=guess
        )
        for carefully in (False, True):
            refuse_stopped(stop)
            verified = verify(contender, song, carefully=carefully)
            said(0.7)
            render = Stored(len(self._mix.samples), self._mix.channels)

            def take(piece: Samples, render: Stored = render) -> None:
                refuse_stopped(stop)
                render.append(piece)

            found, _ = finish(verified, state.target, self._mix, song, ends, keep=False, taker=take)
            if dithered_under_ceiling(found.after, state.target):
                break
        said(0.95)
        heard = state.target.heard_lufs(found.after)
        over_lu = 0.0 if heard is None else song.over_told_lu(found.settings, heard)
        return WholeSong(found=found, render=render, over_told_lu=over_lu)

    def _behind(self, state: HandState, stop: Stop) -> _Song:
        linear, of_loudest_part = state.active.only(self._chain.linear), state.target.of_loudest_part
        if self._kept is None or self._kept[:2] != (linear, of_loudest_part):
            self.drop()
            self._kept = linear, of_loudest_part, self._made(linear, of_loudest_part=of_loudest_part)
        song = self._kept[2]
        song.stop = stop
        return song

    def _made(self, linear: ChainSettings, *, of_loudest_part: bool) -> _Song:
        samples, rate_hz, chain = self._mix.samples, self._mix.rate_hz, self._chain
        start = chain.render(samples, rate_hz, linear, stages=chain.leading).samples
        later = [name for name in chain.linear if name not in chain.leading]
        behind = chain.render(start, rate_hz, linear, stages=later).samples
        hops = weighted_hops(behind, rate_hz)
        level = integrated_lufs(hops)
        assert level is not None  # a mix without a loudness is refused when it is read
        material = Material(
            start,
            rate_hz,
            hops,
            level,
            [whole_song(len(hops))],
            None if behind is start else behind,
            of_loudest_part=of_loudest_part,
        )
        return _Song(material, self._weights, self._drive, chain)
