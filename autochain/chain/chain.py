"""The ordered stages; settings in, sound and gain traces out.

A chain setting is a mapping from stage name to that stage's settings. A stage that is not in the mapping is
left out, which is exactly the identity. The order is fixed: what is linear first, then both compressors, then
the drive, then the peak stages, the limiter last.
"""

import difflib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

from autochain.audio.mix import Samples
from autochain.chain import clipper, compressor, drive, equaliser, limiter, rotation, transient
from autochain.chain.stage import GainTrace, Processed, Settings, Stage
from autochain.errors import ParameterError

ChainSettings = Mapping[str, Settings]
Observer = Callable[[Stage, Samples, Processed], None]

STAGES: dict[str, Stage] = {
    stage.name: stage
    for stage in (
        rotation.STAGE,
        equaliser.STAGE,
        compressor.BUS,
        compressor.PEAK,
        drive.STAGE,
        clipper.STAGE,
        transient.STAGE,
        limiter.STAGE,
    )
}
LINEAR = ("rotation", "equaliser")
DYNAMICS = ("bus_compressor", "peak_compressor")
LEVEL = ("drive", "clipper", "transient", "limiter")


@dataclass(frozen=True, slots=True, kw_only=True)
class Rendered:
    """Sound after the last stage, as long as the input and aligned with it, and the traces by stage name."""

    samples: Samples
    traces: dict[str, GainTrace]


def stage_named(name: str) -> Stage:
    """Return the stage of that name; ParameterError with the nearest name when there is none."""
    if name in STAGES:
        return STAGES[name]
    near = difflib.get_close_matches(name, STAGES, n=1)
    hint = f"Did you mean {near[0]}?" if near else f"Stages are {', '.join(STAGES)}."
    raise ParameterError(f"{name!r} is not a stage of the chain. {hint}")


def checked(settings: ChainSettings) -> dict[str, dict[str, float]]:
    """Settings in chain order, completed with defaults, every range checked."""
    for name in settings:
        stage_named(name)
    return {name: stage.checked(settings[name]) for name, stage in STAGES.items() if name in settings}


def rounded(settings: ChainSettings) -> dict[str, dict[str, float]]:
    """Settings in chain order at the steps a hand can set."""
    return {name: stage.rounded(settings[name]) for name, stage in STAGES.items() if name in settings}


def render(
    samples: Samples,
    rate_hz: int,
    settings: ChainSettings,
    *,
    stages: Iterable[str] = tuple(STAGES),
    observe: Observer | None = None,
) -> Rendered:
    """Run the named stages that `settings` holds, in the order given.

    Parameters
    ----------
    samples
        Shape (frames, channels); never modified, but returned as is when no stage changes it.
    rate_hz
        Sample rate.
    settings
        Complete settings per stage (see `checked`).
    stages
        The part of the chain to run.
    observe
        Called after every stage with the stage, its input and its output.
    """
    traces: dict[str, GainTrace] = {}
    for name in stages:
        if name not in settings:
            continue
        processed = STAGES[name].process(samples, rate_hz, settings[name])
        if processed.trace is not None:
            traces[name] = processed.trace
        if observe is not None:
            observe(STAGES[name], samples, processed)
        samples = processed.samples
    return Rendered(samples=samples, traces=traces)
