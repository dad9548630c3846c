"""Both compressors of a trial: thresholds solved for the wanted work, rendered once before any drive."""

from collections.abc import Sequence

from autochain.audio.mix import Samples
from autochain.chain.chain import ChainPlan
from autochain.chain.settings import ChainSettings, StageName, StageSettings, Value
from autochain.chain.sidechain import Sidechain, peak_reductions_db, render
from autochain.chain.stage import GainTrace, Processed
from autochain.config.coordinates import COMPRESSORS
from autochain.solve.excerpts import GRID_HOPS
from autochain.solve.material import Material
from autochain.solve.outline import Outline
from autochain.solve.work import solve_threshold, work_db

# Levels of longer sounds are not kept: a song of four minutes has 40 MB of them, and few trials ask for it.
_KEPT_S = 60.0


class Dynamics:
    """Renders what lies before the drive; the first detector's level is cached, since its input never changes."""

    def __init__(self, material: Material, chain: ChainPlan) -> None:
        self.material = material
        self._chain = chain
        seconds = sum(len(s.samples) for s in material.segments) / material.rate_hz
        self._keeps = seconds <= _KEPT_S
        self._levels: dict[tuple[Value, ...], list[Sidechain]] = {}

    def render(
        self, plan: Outline
    ) -> tuple[ChainSettings, list[Samples], list[dict[StageName, GainTrace]]]:
        """Render the stages before the drive, compressor thresholds solved where work is wanted."""
        rate_hz = self.material.rate_hz
        settings = plan.settings
        samples = [s.samples for s in self.material.segments]
        if not plan.work_db and not self._keeps:
            # In blocks through all stages: neither levels nor what lies between two stages is as long as the song.
            outputs = [self._chain.render(x, rate_hz, settings, stages=self._chain.dynamics) for x in samples]
            return settings, [o.samples for o in outputs], [o.traces for o in outputs]
        traces: list[dict[StageName, GainTrace]] = [{} for _ in samples]
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
            levels = self._sidechain(samples, own, cached=first)
            if name in plan.work_db:
                own = own.with_(threshold_db=self._threshold(levels, own, plan.work_db[name], name))
                settings = settings.with_(name, own)
            samples = self._note(name, render(levels, samples, own), traces)
            first = False
        return settings, samples, traces

    @staticmethod
    def _note(
        name: StageName, processed: Sequence[Processed], traces: Sequence[dict[StageName, GainTrace]]
    ) -> list[Samples]:
        """Keep the traces of one stage; return its output per segment."""
        for trace, p in zip(traces, processed, strict=True):
            if p.trace is not None:
                trace[name] = p.trace
        return [p.samples for p in processed]

    def _sidechain(self, samples: Sequence[Samples], own: StageSettings, *, cached: bool) -> list[Sidechain]:
        """Detector level per segment; the first compressor's input never changes, so its level is kept."""
        key = Sidechain.key(own)
        cached = cached and self._keeps
        if cached and key in self._levels:
            return self._levels[key]
        levels = [Sidechain.of(x, self.material.rate_hz, own) for x in samples]
        if cached:
            self._levels[key] = levels
        return levels

    def _threshold(self, levels: Sequence[Sidechain], own: StageSettings, wanted_db: float, name: StageName) -> float:
        material = self.material
        block = GRID_HOPS * material.hop

        def work_at(threshold_db: float, *, coarse: bool) -> float:
            settings = own.with_(threshold_db=threshold_db)
            # The detector runs through the pre-roll, as it will in the render; pre-rolls are whole blocks.
            found = peak_reductions_db(levels, settings, block, coarse=coarse)
            blocks = [b[s.skip_hops // GRID_HOPS :] for b, s in zip(found, material.segments, strict=True)]
            return work_db(blocks, material.loud_blocks)

        parameter = self._chain.stages[name].parameter("threshold_db")
        slope = max(0.05, 1.0 - 1.0 / own["ratio"])
        threshold = solve_threshold(
            lambda threshold_db: work_at(threshold_db, coarse=False),
            wanted_db,
            start_db=material.integrated_lufs + 8.0 - wanted_db / slope,
            low_db=parameter.low,
            high_db=parameter.high,
            roughly=lambda threshold_db: work_at(threshold_db, coarse=True),
        )
        return parameter.rounded(threshold)
