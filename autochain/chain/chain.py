"""The ordered stages; settings in, sound and gain traces out.

A stage that is not in a chain's settings is left out, which is exactly the identity. A `ChainPlan` says which stages
there are, in which order, and with which ranges and defaults; `DEFAULT` has them all.

What the order must keep: first what works before any drive (linear stages, compressors, dynamic bells), then the
drive, then the stages that work on peaks; the limiter and the output come last.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from autochain.audio.mix import Samples
from autochain.audio.room import gathered, in_blocks
from autochain.chain import (
    clipper,
    compressor,
    drive,
    dynamic_bell,
    equaliser,
    limiter,
    output,
    rotation,
    transient,
)
from autochain.chain.settings import (
    CLIPPER,
    DRIVE,
    LIMITER,
    NOTHING_SET,
    OUTPUT,
    TRANSIENT,
    ChainSettings,
    Given,
    StageName,
    is_stage_name,
    near_name,
)
from autochain.chain.stage import GainTrace, Processed, Runner, Stage
from autochain.errors import ParameterError

Observer = Callable[[Stage, Samples, Processed], None]

STAGES: dict[StageName, Stage] = {
    stage.name: stage
    for stage in (
        rotation.STAGE,
        equaliser.NARROW,
        dynamic_bell.STAGE,
        equaliser.BROAD,
        compressor.BUS,
        compressor.PEAK,
        drive.STAGE,
        clipper.STAGE,
        transient.STAGE,
        limiter.STAGE,
        output.STAGE,
    )
}
PEAK_STAGES = (CLIPPER, TRANSIENT, LIMITER, OUTPUT)  # behind the drive
NEEDED = (DRIVE, LIMITER, OUTPUT)  # what no chain can do without
LAST = (LIMITER, OUTPUT)



@dataclass(frozen=True, slots=True, kw_only=True)
class ChainOutput:
    """Sound after the last stage, as long as the input and aligned with it, and the traces by stage name."""

    samples: Samples
    traces: dict[StageName, GainTrace]


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainPlan:
    """Which stages there are, in order, and what is set in advance.

    Attributes
    ----------
    stages
        By name, in the order in which they run.
    given
        Settings of stages that are in every chain unless they are left out by name.
    """

    stages: Mapping[StageName, Stage]
    given: ChainSettings = NOTHING_SET

    @property
    def linear(self) -> tuple[StageName, ...]:
        """Linear stages before the drive: their output is what every cost compares with."""
        return tuple(name for name in self._before_drive if self.stages[name].linear)

    @property
    def leading(self) -> tuple[StageName, ...]:
        """Linear stages before any other: rendered once for all trials."""
        before = self._before_drive
        first = next((i for i, name in enumerate(before) if not self.stages[name].linear), len(before))
        return before[:first]

    @property
    def dynamics(self) -> tuple[StageName, ...]:
        """What lies between the leading linear stages and the drive."""
        return self._before_drive[len(self.leading) :]

    @property
    def level(self) -> tuple[StageName, ...]:
        """The drive and the peak stages; the output is not among them, as it belongs to whole songs."""
        names = tuple(self.stages)
        return tuple(n for n in names[names.index(DRIVE) :] if n != OUTPUT)

    @property
    def _before_drive(self) -> tuple[StageName, ...]:
        names = tuple(self.stages)
        return names[: names.index(DRIVE)]

    def stage(self, name: str) -> Stage:
        """Return the stage of that name; ParameterError with the nearest name when there is none."""
        if is_stage_name(name):
            if name in self.stages:
                return self.stages[name]
            raise ParameterError(f"{name} is left out of chain.order. Add it there, or drop what refers to it.")
        hint = near_name(name, self.stages, f"Stages are {', '.join(self.stages)}.")
        raise ParameterError(f"{name!r} is not a stage of the chain. {hint}")

    def checked(self, settings: ChainSettings | Mapping[str, Given]) -> ChainSettings:
        """Settings, also as a file holds them, in chain order: completed with defaults, names and ranges checked."""
        given = {self.stage(name).name: own for name, own in settings.items()}
        return ChainSettings({name: s.checked(given[name]) for name, s in self.stages.items() if name in given})

    def rounded(self, settings: ChainSettings) -> ChainSettings:
        """Settings in chain order at the steps a hand can set."""
        return ChainSettings(
            {name: stage.rounded(settings[name]) for name, stage in self.stages.items() if name in settings}
        )

    def render(
        self,
        samples: Samples,
        rate_hz: int,
        settings: ChainSettings,
        *,
        stages: Iterable[StageName] | None = None,
        observe: Observer | None = None,
    ) -> ChainOutput:
        """Run the stages that `settings` holds over a whole sound.

        Parameters
        ----------
        samples
            Shape (frames, channels); never modified, but returned as is when no stage runs.
        rate_hz
            Sample rate.
        settings
            Complete settings per stage (see `checked`).
        stages
            The part of the chain to run, in this order; all of it when None.
        observe
            Called after every stage with the stage, its input and its output.
        """
        present = [name for name in (self.stages if stages is None else stages) if name in settings]
        if observe is None and len(present) > 1:
            return self._in_blocks(samples, rate_hz, settings.only(present))
        traces: dict[StageName, GainTrace] = {}
        for name in present:
            processed = self.stages[name].process(samples, rate_hz, settings[name])
            if processed.trace is not None:
                traces[name] = processed.trace
            if observe is not None:
                observe(self.stages[name], samples, processed)
            samples = processed.samples
        return ChainOutput(samples=samples, traces=traces)

    def _in_blocks(self, samples: Samples, rate_hz: int, settings: ChainSettings) -> ChainOutput:
        """Block by block: what passes from stage to stage stays in the cache, and no song lies between two stages."""
        running = ChainRunner(
            {name: self.stages[name].start(rate_hz, samples.shape[1], own) for name, own in settings.items()}
        )
        output = gathered(running.run(in_blocks(samples)), samples.shape, samples.dtype)
        return ChainOutput(samples=output, traces=running.traces)

    def stream(self, rate_hz: int, channels: int, settings: ChainSettings) -> "ChainRunner":
        """Start the stages that `settings` holds on a stream of blocks; same samples as `render`, to the bit."""
        return ChainRunner(
            {name: s.start(rate_hz, channels, settings[name]) for name, s in self.stages.items() if name in settings}
        )


class ChainRunner:
    """Stages one behind the other on a stream; see `chain.stage.Runner` for what push and finish promise."""

    def __init__(self, runners: Mapping[StageName, Runner]) -> None:
        self._runners = dict(runners)

    def push(self, block: Samples) -> Samples:
        """Take the next frames; return those that have passed every stage."""
        for runner in self._runners.values():
            block = runner.push(block)
        return block

    def finish(self) -> Samples:
        """Return what is left in the stages."""
        rest: Samples | None = None
        for runner in self._runners.values():
            pieces = [] if rest is None else [runner.push(rest)]
            pieces = [p for p in (*pieces, runner.finish()) if p.shape[0]]
            rest = np.concatenate(pieces) if pieces else None
        return np.zeros((0, 1), np.float32) if rest is None else rest

    def run(self, blocks: Iterable[Samples]) -> Iterator[Samples]:
        """Pass blocks through and yield what comes out, to the end."""
        for block in blocks:
            done = self.push(block)
            if done.shape[0]:
                yield done
        rest = self.finish()
        if rest.shape[0]:
            yield rest

    @property
    def traces(self) -> dict[StageName, GainTrace]:
        """Traces by stage name, complete after `finish`."""
        return {name: r.trace for name, r in self._runners.items() if r.trace is not None}


def order_problem(names: Iterable[str]) -> str | None:
    """Say what is wrong with an order of stages, and what to do; None when nothing is."""
    names = tuple(names)
    for name in names:
        if name not in STAGES:
            return f"names {name!r}, which is no stage. {near_name(name, STAGES, 'Remove it.')}"
        if names.count(name) > 1:
            return f"names {name} twice. Keep one of them."
    if names[-2:] != LAST or DRIVE not in names:
        return "must hold drive, and end with limiter and output: nothing may follow what holds the ceiling"
    drive_at = names.index(DRIVE)
    for name in names:
        if (name in PEAK_STAGES) != (names.index(name) > drive_at) and name != DRIVE:
            side = "after" if name in PEAK_STAGES else "before"
            return f"has {name} on the wrong side of the drive. Move it {side} drive."
    return None


DEFAULT = ChainPlan(stages=STAGES)
