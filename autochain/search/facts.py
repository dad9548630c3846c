"""What the engineer sees at each stage in the loudest part: levels, reduction on the meter, bypass trim, times."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from autochain.audio.mix import Samples
from autochain.chain.chain import ChainPlan
from autochain.chain.output import without_ends
from autochain.chain.settings import OUTPUT, ChainSettings, StageName, StageSettings
from autochain.chain.stage import GainTrace, Processed, Stage
from autochain.measure.loudness import power_to_lufs, short_term_lufs, weighted_hops
from autochain.prepare.silence_and_fades import SilenceAndFades
from autochain.solve.excerpts import GRID_HOPS
from autochain.units import linear_to_db

_LOUDEST_S = 3.0
_LEAD_S = 5.0  # rendered before the loudest part, so that every detector has settled
_CUES = 2
_CUE_DISTANCE_S = 5.0
_RUN_UP_S = 1.0  # what is heard without what comes before it is hard to judge


@dataclass(frozen=True, slots=True, kw_only=True)
class StageFacts:
    """One stage of the verified chain.

    Attributes
    ----------
    stage, settings
        Name and settings.
    input_peak_dbfs, input_short_term_lufs
        Level at its input in the loudest 3 s of the mix.
    reduction_max_db, reduction_typical_db
        Largest reduction in the song, and the median over the loud 400 ms blocks of the largest inside each;
        negative where the stage adds level; None for a linear stage.
    max_at_s
        Mix time of the largest reduction.
    trim_db
        Gain after the stage that makes bypassing it level-matched in the loudest part.
    cues_s
        Mix times to listen from, a second before what is to be heard where the song has begun by then.
    """

    stage: StageName
    settings: StageSettings
    input_peak_dbfs: float
    input_short_term_lufs: float
    reduction_max_db: float | None
    reduction_typical_db: float | None
    max_at_s: float | None
    trim_db: float
    cues_s: tuple[float, ...]


def loudest_start_s(hops: npt.NDArray[np.float64]) -> float:
    """Start of the loudest 3 s, from K-weighted power per 10 ms hop."""
    return int(np.argmax(short_term_lufs(hops))) / 100.0


def _cues(strength: npt.NDArray[np.float32]) -> tuple[float, ...]:
    """Times of the strongest blocks, at least 5 s apart, in order."""
    times: list[float] = []
    for block in np.argsort(-strength, kind="stable"):
        at = int(block) / 100.0
        if strength[block] <= 0.05 or len(times) == _CUES:
            break
        if all(abs(at - t) >= _CUE_DISTANCE_S for t in times):
            times.append(at)
    return tuple(sorted(times))


def _both_ends(ends: SilenceAndFades | None, ends_s: float) -> tuple[float, ...]:
    """The first attack and the last seconds that sound; one time where the song is no longer than these."""
    first_s, last_s = (0.0, ends_s) if ends is None else (ends.attack_s, ends.decayed_s)
    return tuple(dict.fromkeys((first_s, max(first_s, last_s - _LEAD_S + _RUN_UP_S))))


def stage_facts(
    samples: Samples,
    rate_hz: int,
    settings: ChainSettings,
    traces: Mapping[StageName, GainTrace],
    mix_hops: npt.NDArray[np.float64],
    loud: npt.NDArray[np.bool_],
    chain: ChainPlan,
    song_ends: SilenceAndFades | None,
) -> tuple[StageFacts, ...]:
    """Collect the facts of every stage.

    Parameters
    ----------
    samples
        The mix, before any stage.
    rate_hz, settings
        As for `render`.
    traces
        Gain traces over the whole song.
    mix_hops
        K-weighted power of the mix per 10 ms hop.
    loud
        Loud hops of the mix.
    chain
        Stages in order.
    song_ends
        Of the mix, from `find_silence_and_fades`.
    """
    hop = round(rate_hz / 100)
    ends_s = samples.shape[0] / rate_hz
    loudest_s = loudest_start_s(mix_hops)
    begins_s = 0.0 if song_ends is None else min(song_ends.attack_s, song_ends.head_cut_ms / 1000.0)
    lead = round(min(_LEAD_S, loudest_s) * 100) * hop
    start = round(loudest_s * 100) * hop
    window = samples[start - lead : start + round(_LOUDEST_S * 100) * hop]
    found: list[StageFacts] = []

    def loudness(x: Samples) -> float:
        return float(power_to_lufs(weighted_hops(x, rate_hz)[lead // hop :].mean()))

    def observe(stage: Stage, x: Samples, processed: Processed) -> None:
        before, after = loudness(x), loudness(processed.samples)
        trace = traces.get(stage.name)
        largest = typical = at = None
        cues: tuple[float, ...] = ()
        if trace is not None:
            values = trace.max_db[: len(loud)]
            strongest = int(np.argmax(np.abs(values)))
            largest, at = float(values[strongest]), strongest / 100.0
            whole = len(values) // GRID_HOPS * GRID_HOPS
            blocks = values[:whole].reshape(-1, GRID_HOPS)
            peaks = np.take_along_axis(blocks, np.abs(blocks).argmax(axis=1)[:, None], axis=1)[:, 0]
            busy = peaks[loud[:whole].reshape(-1, GRID_HOPS).mean(axis=1) >= 0.5]
            typical = float(np.median(busy)) if busy.size else 0.0
            cues = _cues(np.abs(values))
        if stage.name == OUTPUT:
            cues = _both_ends(song_ends, ends_s)
        found.append(
            StageFacts(
                stage=stage.name,
                settings=settings[stage.name],
                input_peak_dbfs=linear_to_db(float(np.max(np.abs(x[lead:])))),
                input_short_term_lufs=before,
                reduction_max_db=largest,
                reduction_typical_db=typical,
                max_at_s=at,
                trim_db=before - after,
                cues_s=tuple(max(begins_s, round(at - _RUN_UP_S, 2)) for at in cues or (loudest_s,)),
            )
        )

    chain.render(window, rate_hz, without_ends(settings), observe=observe)
    return tuple(found)
