"""Both compressors of a trial: thresholds solved for the wanted work, rendered once before any drive."""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from autochain.audio.mix import Samples
from autochain.chain.chain import ChainPlan
from autochain.chain.compressor import (
    apply_reduction,
    peak_reduction_per_block,
    sidechain_level_db,
    smoothed_reduction_db,
)
from autochain.chain.stage import GainTrace, Processed
from autochain.search.excerpts import GRID_HOPS
from autochain.search.material import Material
from autochain.search.space import Outline
from autochain.search.work import solve_threshold, work_db

COMPRESSORS = ("bus_compressor", "peak_compressor")


class Dynamics:
    """Renders what lies before the drive; the first detector's level is cached, since its input never changes."""

    def __init__(self, material: Material, chain: ChainPlan) -> None:
        self.material = material
        self._chain = chain
        self._levels: dict[float, list[npt.NDArray[np.float32]]] = {}

    def render(
        self, plan: Outline
    ) -> tuple[dict[str, dict[str, float]], list[Samples], list[dict[str, GainTrace]]]:
        """Render the stages before the drive, compressor thresholds solved where work is wanted."""
        rate_hz = self.material.rate_hz
        settings = {name: dict(values) for name, values in plan.settings.items()}
        samples = [s.samples for s in self.material.segments]
        traces: list[dict[str, GainTrace]] = [{} for _ in samples]
        first = True
        for name in self._chain.dynamics:
            if name not in settings:
                continue
            own = settings[name]
            if name not in COMPRESSORS:
                processed = [self._chain.stages[name].process(x, rate_hz, own) for x in samples]
                samples = self._note(name, processed, traces)
                first = False
                continue
            levels = self._sidechain(samples, own["sidechain_hpf_hz"], cached=first)
            if name in plan.work_db:
                own["threshold_db"] = self._threshold(levels, own, plan.work_db[name], name)
            computer = {key: own[key] for key in ("threshold_db", "ratio", "knee_db", "attack_ms", "release_ms")}
            processed = [
                apply_reduction(x, rate_hz, smoothed_reduction_db(level, rate_hz, **computer))
                for x, level in zip(samples, levels, strict=True)
            ]
            samples = self._note(name, processed, traces)
            first = False
        return settings, samples, traces

    @staticmethod
    def _note(
        name: str, processed: Sequence[Processed], traces: Sequence[dict[str, GainTrace]]
    ) -> list[Samples]:
        """Keep the traces of one stage; return its output per segment."""
        for trace, p in zip(traces, processed, strict=True):
            if p.trace is not None:
                trace[name] = p.trace
        return [p.samples for p in processed]

    def _sidechain(
        self, samples: Sequence[Samples], hpf_hz: float, *, cached: bool
    ) -> list[npt.NDArray[np.float32]]:
        """Detector level per segment; the first compressor's input never changes, so its level is kept."""
        if cached and hpf_hz in self._levels:
            return self._levels[hpf_hz]
        levels = [sidechain_level_db(x, self.material.rate_hz, hpf_hz) for x in samples]
        if cached:
            self._levels[hpf_hz] = levels
        return levels

    def _threshold(
        self, levels: Sequence[npt.NDArray[np.float32]], own: dict[str, float], wanted_db: float, name: str
    ) -> float:
        material = self.material
        fixed = {key: own[key] for key in ("ratio", "knee_db", "attack_ms", "release_ms")}
        block = GRID_HOPS * material.hop

        def work_at(threshold_db: float) -> float:
            # The detector runs through the pre-roll, as it will in the render; pre-rolls are whole blocks.
            blocks = [
                peak_reduction_per_block(x, material.rate_hz, block, threshold_db=threshold_db, **fixed)[
                    segment.skip_hops // GRID_HOPS :
                ]
                for x, segment in zip(levels, material.segments, strict=True)
            ]
            return work_db(blocks, material.loud_blocks)

        parameter = self._chain.stages[name].parameter("threshold_db")
        slope = max(0.05, 1.0 - 1.0 / own["ratio"])
        threshold = solve_threshold(
            work_at,
            wanted_db,
            start_db=material.integrated_lufs + 8.0 - wanted_db / slope,
            low_db=parameter.low,
            high_db=parameter.high,
        )
        return parameter.rounded(threshold)
