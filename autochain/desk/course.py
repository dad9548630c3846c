"""The song on one axis of time, and what there is to see of the check's findings, for the page of a song."""

from collections.abc import Sequence

from autochain.audio.mix import Mix
from autochain.config.model import Target
from autochain.desk.renders import Stored
from autochain.measure.loudness import HopMeter, Series
from autochain.measure.measurement import Measurement
from autochain.page.closeups import Looks, look_at
from autochain.page.measured import curves_of
from autochain.page.pictures.song import SongCurves
from autochain.prepare.finding import Finding
from autochain.search.result import OnSheet

_BLOCK_FRAMES = 1 << 18


def looks_of(mix: Mix, findings: Sequence[Finding]) -> Looks:
    """Pictures of findings; they are heard through the player."""
    blocks = (mix.samples[at : at + _BLOCK_FRAMES] for at in range(0, len(mix.samples), _BLOCK_FRAMES))
    return look_at(findings, blocks, mix.rate_hz, mix.channels, len(mix.samples), sound=False)


def course_of(
    mix: Mix, mix_hops: Series, before: Measurement, found: OnSheet, render: Stored, target: Target
) -> SongCurves:
    """The song with settings that were verified.

    Parameters
    ----------
    mix, mix_hops, before
        The mix, its K-weighted powers and its figures.
    found, render
        The settings and their very render, from frame 0 of the mix on.
    target
        What they were to reach.
    """
    meter = HopMeter(mix.rate_hz, mix.channels)
    for at in range(0, len(mix.samples), _BLOCK_FRAMES):
        meter.push(render.read(at, min(_BLOCK_FRAMES, len(mix.samples) - at)))
    cues_s = [cue for facts in found.stages for cue in facts.cues_s]
    return curves_of(mix, before, found, (mix_hops, meter.result()), target.loudness_lufs, cues_s)
