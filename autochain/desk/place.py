"""The place that repeats: six seconds of a song, brought to their loudness again whenever a setting is turned.

What a stage remembers of the song ahead of the place it has to learn in the two seconds in front, which are rendered
and not heard. A detector that is let go at a time constant tau comes out of them with exp(-2 s / tau) of what it knew
too little: next to nothing of a release under 0.4 s, and a twentieth of the reduction where it is 0.7 s. Behind the
place lies a tenth of a second that is not heard, so that what looks ahead sees the song and not its end.
"""

import math
import threading
import time
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from autochain.audio.mix import Mix, Samples
from autochain.chain.chain import ChainPlan
from autochain.chain.envelopes import group_frames
from autochain.chain.output import with_ends
from autochain.chain.settings import OUTPUT, ChainSettings, StageName
from autochain.config.model import Drive, Weights
from autochain.desk.hand import HandState
from autochain.measure.loudness import integrated_lufs, weighted_hops
from autochain.measure.measurement import LevelFigures
from autochain.measure.true_peak import QUICK_READINGS, TruePeakMeter
from autochain.search.costs import Costs
from autochain.search.evaluator import Evaluator
from autochain.solve.decisions import Decisions
from autochain.solve.excerpts import GRID_HOPS, Span
from autochain.solve.material import Material
from autochain.solve.outline import only_drive_left
from autochain.solve.solved import Guess, Solved

PLACE_S, PREROLL_S = 6.0, 2.0
_BEHIND_HOPS = 10  # as long as the longest look-ahead and what an oversampled stage rings, many times over
_LINEAR_KEPT = 4  # slices behind other settings of the linear stages: undo and redo come back to them


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """What a stage takes in the place, in dB; negative where it adds level.

    `typical` is the median over the loud 400 ms of the largest in each, as a sheet has it, `max` the largest of all.
    """

    typical: float
    max: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Turned:
    """A place with the settings under the hand.

    Attributes
    ----------
    samples
        What is heard, float32, shape (frames, channels).
    settings
        Of the stages that are on, the drive as it was solved.
    solved
        What the solve came to.
    wanted_lufs
        The loudness that was wanted here; None where the drive was not to be solved.
    levels
        Of what is heard, the true peak by two readings.
    taken
        By stage, for those that follow level.
    seconds
        How long it took.
    """

    samples: Samples
    settings: ChainSettings
    solved: Solved
    wanted_lufs: float | None
    levels: LevelFigures
    taken: Mapping[StageName, Taken]
    seconds: float

    @property
    def met(self) -> bool:
        """Whether the loudness was reached; a drive that is not solved has none to reach."""
        return self.wanted_lufs is None or self.solved.solution.met

    @property
    def missing_lu(self) -> float:
        """How much quieter it is than it was to be."""
        if self.wanted_lufs is None:
            return 0.0
        trim_db = self.settings.get(OUTPUT, "trim_db") or 0.0
        return self.wanted_lufs - trim_db - self.solved.solution.reached_lufs

    @property
    def guess(self) -> Guess:
        """Where the next solve starts."""
        return Guess(loss_db=self.solved.loss_db, slope=self.solved.solution.slope)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Base:
    """A version whose loudness on the whole song is known, as it is at the place."""

    evaluator: Evaluator
    solved: Solved
    song_lufs: float
    place_lufs: float | None


class PlayedPlace:
    """A place of a song, rendered at any settings.

    Parameters
    ----------
    mix
        The song.
    start_s
        Where it begins, mix time; moved so that it lies inside, and onto whole 10 ms.
    song_lufs
        Loudness of the mix, integrated or of its loudest 3 s as the target has it.
    chain, drive, weights
        Stages in order, how a drive is solved, what costs weigh.
    """

    def __init__(
        self, mix: Mix, start_s: float, song_lufs: float, *, chain: ChainPlan, drive: Drive, weights: Weights
    ) -> None:
        self._mix, self._chain, self._drive, self._weights = mix, chain, drive, weights
        self._song_lufs = song_lufs
        self._hop = hop = round(mix.rate_hz / 100)
        hops = len(mix.samples) // hop
        length = min(round(100.0 * PLACE_S), hops)
        start = min(max(0, round(100.0 * start_s)), hops - length)
        grid = math.lcm(hop, group_frames(mix.rate_hz)) // hop  # where all stages begin to count, in the song and here
        preroll = start - max(0, start - round(100.0 * PREROLL_S)) // grid * grid
        behind = min(_BEHIND_HOPS, hops - start - length)
        self._first = (start - preroll) * hop
        self._span = Span(
            start_hop=preroll, stop_hop=preroll + length + behind, preroll_hops=preroll, reason="the place"
        )
        self.start_frame, self.stop_frame = start * hop, (start + length) * hop
        own = integrated_lufs(weighted_hops(mix.samples[self.start_frame : self.stop_frame], mix.rate_hz))
        self._own_lufs = own
        self._lock = threading.Lock()
        self._behind_linear: dict[ChainSettings, Evaluator] = {}
        self._base: _Base | None = None

    @property
    def start_s(self) -> float:
        """Where it begins, mix time."""
        return self.start_frame / self._mix.rate_hz

    @property
    def stop_s(self) -> float:
        """Where it ends."""
        return self.stop_frame / self._mix.rate_hz

    def stand_on(self, settings: ChainSettings, song_lufs: float) -> None:
        """Take a version as the measure: with these settings, drive and trim included, the song is so loud."""
        evaluator = self._evaluator(settings)
        outline = only_drive_left(settings, Decisions(locks=settings))
        solved = evaluator.solve(outline, song_lufs, Guess())
        lufs = Material.lufs(solved.hops)
        trim_db = settings.get(OUTPUT, "trim_db") or 0.0
        self._base = _Base(
            evaluator=evaluator,
            solved=solved,
            song_lufs=song_lufs,
            place_lufs=None if lufs is None else lufs + trim_db,
        )

    def wanted_lufs(self, target_lufs: float) -> float | None:
        """Loudness of the place at which the song is expected at a target; None where the place is silent.

        As loud as the version that it stands on is here, and by as much louder as the target is. Without one, as far
        over the mix as the song is to be.
        """
        base = self._base
        if base is not None and base.place_lufs is not None:
            return base.place_lufs + target_lufs - base.song_lufs
        return None if self._own_lufs is None else self._own_lufs + target_lufs - self._song_lufs

    def turned(self, state: HandState, guess: Guess) -> Turned:
        """Render the place at the settings under the hand, the drive solved unless it is locked."""
        began = time.perf_counter()
        settings = state.active
        evaluator = self._evaluator(settings)
        wanted = None if state.drive_locked else self.wanted_lufs(state.target.loudness_lufs)
        trim_db = settings.get(OUTPUT, "trim_db") or 0.0
        outline = only_drive_left(settings, Decisions(locks=settings if wanted is None else state.kept))
        solved = evaluator.solve(outline, state.target.loudness_lufs if wanted is None else wanted - trim_db, guess)
        samples = self._heard(solved)
        peak = TruePeakMeter(self._mix.rate_hz, self._mix.channels, QUICK_READINGS)
        peak.push(samples)
        return Turned(
            samples=samples,
            settings=solved.settings,
            solved=solved,
            wanted_lufs=wanted,
            levels=LevelFigures.of(weighted_hops(samples, self._mix.rate_hz), peak.result().highest_dbtp),
            taken=_taken(evaluator.material, solved),
            seconds=time.perf_counter() - began,
        )

    def costs(self, turned: Turned) -> Costs:
        """What the place costs as it was turned, against the mix behind its linear stages."""
        return self._evaluator(turned.settings).reference.costs(turned.solved)

    def base_costs(self) -> Costs | None:
        """What the place costs with the version that it stands on; None where there is none."""
        base = self._base
        return None if base is None else base.evaluator.reference.costs(base.solved)

    def over_told_lu(self, turned: Turned) -> float:
        """How much louder the place came out than the sound ahead of its drive lets expect."""
        solved = turned.solved
        return self._evaluator(turned.settings).over_told_lu(
            solved.settings, solved.solution.reached_lufs, solved.before_peaks
        )

    def _heard(self, solved: Solved) -> Samples:
        (rendered,) = solved.rendered
        begin = self.start_frame - self._first
        part = rendered[begin : begin + self.stop_frame - self.start_frame]
        if OUTPUT not in solved.settings:
            return np.ascontiguousarray(part)
        return with_ends(
            part, self.start_frame, len(self._mix.samples), self._mix.rate_hz, solved.settings[OUTPUT]
        )

    def _evaluator(self, settings: ChainSettings) -> Evaluator:
        """The place behind the linear stages of some settings: made once, and again when one of them is turned."""
        linear = settings.only(self._chain.linear)
        with self._lock:
            found = self._behind_linear.pop(linear, None)
            if found is None:
                found = self._made(linear)
            self._behind_linear[linear] = found
            while len(self._behind_linear) > _LINEAR_KEPT:
                del self._behind_linear[next(iter(self._behind_linear))]
            return found

    def _made(self, linear: ChainSettings) -> Evaluator:
        mix, chain, rate_hz = self._mix, self._chain, self._mix.rate_hz
        reach = sum(chain.stages[name].latency_samples(rate_hz, own) for name, own in linear.items())
        first, last = self._first, self._first + self._span.stop_hop * self._hop
        begin = max(0, first - reach)
        around = mix.samples[begin : last + reach]
        start = chain.render(around, rate_hz, linear, stages=chain.leading).samples
        later = [name for name in chain.linear if name not in chain.leading]
        behind = chain.render(start, rate_hz, linear, stages=later).samples
        start, reference = (x[first - begin : last - begin] for x in (start, behind))
        hops = weighted_hops(reference, rate_hz)
        own = integrated_lufs(hops[self._span.preroll_hops :])
        # What the linear stages do to the loudness of the place they are taken to do to the song's.
        more_lu = 0.0 if own is None or self._own_lufs is None else own - self._own_lufs
        material = Material(
            start,
            rate_hz,
            np.append(hops, 0.0),  # never the whole song: its ends are not those of the place
            self._song_lufs + more_lu,
            [self._span],
            None if behind is start else reference,
        )
        return Evaluator(material, self._weights, self._drive, chain)


def _taken(material: Material, solved: Solved) -> dict[StageName, Taken]:
    """What the stages take that follow level, in the order of the chain."""
    (loud,) = material.loud_blocks
    found = {}
    for stage, trace in solved.traces[0].items():
        (values,) = material.trace([trace.max_db])
        blocks = values[: len(loud) * GRID_HOPS].reshape(-1, GRID_HOPS)
        largest = np.take_along_axis(blocks, np.abs(blocks).argmax(axis=1)[:, None], axis=1)[:, 0]
        busy = largest[loud] if loud.any() else largest
        found[stage] = Taken(
            typical=float(np.median(busy)) if busy.size else 0.0,
            max=float(values[np.abs(values).argmax()]) if values.size else 0.0,
        )
    return found
