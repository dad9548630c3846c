"""Everything that is looked at before a mix is worked on: one pass over it, up to three when there may be clicks."""

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol, TypeVar

from autochain.audio.blocks import one_state, read_blocks
from autochain.audio.mix import Samples
from autochain.audio.room import in_blocks
from autochain.measure.clicks import Click, edges_of_clipping, find_clicks, find_pulses
from autochain.measure.dropouts import Dropout, find_dropouts
from autochain.measure.ear_model import full_scale_sine_db_spl
from autochain.measure.edits import separate_edits
from autochain.measure.head_and_tail import HeadAndTail, measure_head_and_tail
from autochain.measure.hum import Hum, HumMeter
from autochain.measure.jumps import Jump, JumpMeter
from autochain.measure.lone_clicks import lone_clicks
from autochain.measure.measurement import Measured, MixMeter
from autochain.measure.mono import MonoFold, fold_to_mono
from autochain.measure.noise import steady_floor_dbfs
from autochain.measure.peaks import peak_density
from autochain.measure.resonance import ResonanceMap, ResonanceMeter
from autochain.measure.spikes import SpikeCells, SpikeMeter
from autochain.memory import give_back
from autochain.threads import cores

_BLOCK_FRAMES = 1 << 18  # of a sound that is held: as files are read
_BLOCKS_AHEAD = 2
_AT_EDIT_S = 0.005
_AT_ONCE_S = 900.0
_T_co = TypeVar("_T_co", covariant=True)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Inspection:
    """What was found; each part is described where it is measured. `mono` is None for one channel."""

    duration_s: float
    measured: Measured
    clicks: tuple[Click, ...]
    dropouts: tuple[Dropout, ...]
    hum: tuple[Hum, ...]
    jumps: tuple[Jump, ...]
    mono: MonoFold | None
    peak_density: float | None
    steady_floor_dbfs: float | None
    head_and_tail: HeadAndTail
    resonance: ResonanceMap


def inspect(samples: Samples, rate_hz: int) -> Inspection:
    """`Inspection` of a whole signal, shape (frames, channels), at least 3 s."""
    seen = _inspected(_Held(samples), rate_hz, samples.shape[1])
    _give_back_after_hours(seen)
    return seen


def inspect_file(path: str | Path) -> Inspection:
    """`Inspection` of a sound file, read block by block.

    Raises
    ------
    AudioFileError
        As `audio.files.read_mix`.
    """
    with one_state(path):
        blocks = read_blocks(path)
        seen = _inspected(blocks, blocks.rate_hz, blocks.channels)
    _give_back_after_hours(seen)
    return seen


@dataclass(frozen=True, slots=True)
class _Held:
    """A sound that is held, block by block as often as it is asked for."""

    samples: Samples

    def __iter__(self) -> Iterator[Samples]:
        return in_blocks(self.samples, _BLOCK_FRAMES)


def _give_back_after_hours(seen: Inspection) -> None:
    """Whoever looks at a long song next need not find beside it what this took."""
    if seen.duration_s > _AT_ONCE_S:
        give_back()


def _inspected(blocks: Iterable[Samples], rate_hz: int, channels: int) -> Inspection:
    """Look at a sound, a thread for every meter: they know nothing of each other, and nearly all release the lock.

    `blocks` are iterated twice more when there may be clicks; their size does not change the result.
    """
    mix, spike_meter = MixMeter(rate_hz, channels), SpikeMeter(rate_hz, channels)
    hum, jumps = HumMeter(rate_hz, channels), JumpMeter(rate_hz, channels)
    resonance = ResonanceMeter(rate_hz, channels)
    frames = 0
    with ExitStack() as stack:
        pushes = (resonance.push, mix.push, spike_meter.push, jumps.push, hum.push)
        # Each takes its blocks in order and waits for none of the others, as long as these are not far behind.
        threads = [stack.enter_context(ThreadPoolExecutor(1)) for _ in pushes]
        under_way: deque[list[Future[None]]] = deque()
        for block in blocks:
            frames += block.shape[0]
            under_way.append([one.submit(push, block) for one, push in zip(threads, pushes, strict=True)])
            if len(under_way) > _BLOCKS_AHEAD:
                _done(under_way.popleft())
        for last in under_way:
            _done(last)
        hours = frames > _AT_ONCE_S * rate_hz
        pool = stack.enter_context(ThreadPoolExecutor(1 if hours else cores()))
        hums, mapped = pool.submit(_result, [hum].pop, hours), pool.submit(_result, [resonance].pop, hours)
        celled, jumped = pool.submit(_result, [spike_meter].pop, hours), pool.submit(_result, [jumps].pop, hours)
        measuring = pool.submit(_result, [mix].pop, hours)
        del hum, resonance, spike_meter, jumps, mix, pushes
        cells, measured = celled.result(), measuring.result()
        # Some clicks are edits: the sound around them is looked at once more.
        spikes, steps = separate_edits(find_clicks(cells), jumped.result(), blocks, rate_hz)
        return Inspection(
            duration_s=frames / rate_hz,
            measured=measured,
            clicks=_clicks(spikes, steps, cells, measured, blocks),
            dropouts=find_dropouts(cells),
            hum=hums.result(),
            jumps=steps,
            mono=fold_to_mono(measured.sums),
            peak_density=peak_density(measured.sums),
            steady_floor_dbfs=steady_floor_dbfs(measured.sums),
            head_and_tail=measure_head_and_tail(measured.sums),
            resonance=mapped.result(),
        )


def _clicks(
    spikes: tuple[Click, ...], steps: tuple[Jump, ...], cells: SpikeCells, measured: Measured, blocks: Iterable[Samples]
) -> tuple[Click, ...]:
    """Clicks, and the edges of clipped peaks, which are at the top; what an edit explains is none."""
    edges = edges_of_clipping(spikes, measured.figures.clipped_runs)
    loudness = measured.figures.integrated_lufs
    if loudness is None:
        return edges
    wide = [
        pulse
        for pulse in find_pulses(cells)
        if not (edges and pulse.at_top) and all(abs(pulse.at_s - step.at_s) > _AT_EDIT_S for step in steps)
    ]
    candidates = [*(spike for spike in spikes if spike not in edges), *wide]
    sine_db_spl = full_scale_sine_db_spl(loudness, cells.peak.shape[1])
    lone = lone_clicks(candidates, blocks, cells.rate_hz, sine_db_spl)
    return tuple(sorted([*edges, *lone], key=lambda click: click.at_s))


class _Meter(Protocol[_T_co]):
    def result(self) -> _T_co:
        """Everything pushed so far."""
        ...


def _result(taken: Callable[[], _Meter[_T_co]], hours: bool) -> _T_co:
    """Result of a meter that nobody else holds: of hours, what it held is given back before the next."""
    found = taken().result()
    if hours:
        give_back()
    return found


def _done(busy: Iterable[Future[None]]) -> None:
    """Wait, and raise what went wrong."""
    for one in busy:
        one.result()
