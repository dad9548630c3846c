"""Every cost of a render, each in its own unit, and the score that prices them.

Definitions live with the measures; weights live in the config. Lower is better everywhere.
"""

import math
import threading
from collections.abc import Sequence
from dataclasses import asdict, dataclass, fields
from functools import cached_property
from typing import NamedTuple

import numpy as np

from autochain.audio.mix import Samples
from autochain.chain.settings import CLIPPER, DRIVE, LIMITER
from autochain.config.coordinates import COMPRESSORS
from autochain.config.model import Weights
from autochain.measure.asymmetry import asymmetry_reduction_db
from autochain.measure.crest import CrestLoss, CrestReference
from autochain.measure.distortion import Distortion, DistortionReference
from autochain.measure.image import BalanceReference, BalanceShift
from autochain.measure.movement import contrast_loss_lu, gain_movement_db, short_term_overshoot_lu
from autochain.solve.material import Material
from autochain.solve.solved import Solved
from autochain.solve.solver import SILENT_LUFS
from autochain.units import db_to_linear

# Noise-to-mask ratios far under this cost nothing, far above it every dB costs a dB: 20 dB under the just-audible
# region of BS.1387, because a mean over bands and frames hides single disturbed ones. Chosen with the weights on real
# recordings (docs/decisions/movement-costs-five-times-what-distortion-does.md).
INAUDIBLE_NMR_DB = -20.0
FLOOR_NMR_DB = -99.0
MOVING = (*COMPRESSORS, LIMITER)


@dataclass(frozen=True, slots=True, kw_only=True)
class Costs:
    """Costs of one render against the linear-stage output of the mix; names carry their unit."""

    added_distortion_nmr_db: float
    added_distortion_low_nmr_db: float
    crest_loss_db: float
    onset_loss_db: float
    asymmetry_reduction_db: float
    gain_movement_db: float
    contrast_loss_lu: float
    image_shift_db: float
    tilt_shift_db: float
    short_term_overshoot_lu: float

    def as_dict(self) -> dict[str, float]:
        """Costs by name."""
        return asdict(self)


COST_NAMES = tuple(f.name for f in fields(Costs))
NO_COSTS = Costs(
    **{name: FLOOR_NMR_DB if name.endswith("nmr_db") else 0.0 for name in COST_NAMES},
)


def counted_db(nmr_db: float) -> float:
    """What the score counts of a noise-to-mask ratio, in dB, >= 0: a smooth knee at -20 dB."""
    return 10.0 * math.log10(1.0 + 10.0 ** ((nmr_db - INAUDIBLE_NMR_DB) / 10.0))


def priced_db(costs: Costs) -> dict[str, float]:
    """Every cost in the dB (or LU) that the score counts: noise-to-mask ratios above a smooth knee at -20 dB."""
    priced = costs.as_dict()
    for name in COST_NAMES:
        if name.endswith("nmr_db"):
            priced[name] = counted_db(priced[name])
    return priced


def terms(costs: Costs, weights: Weights) -> dict[str, float]:
    """Contribution of every cost to the score; they add up to it."""
    return {name: getattr(weights, name) * value for name, value in priced_db(costs).items()}


def score(costs: Costs, weights: Weights) -> float:
    """Weighted sum of the costs; lower is better."""
    return sum(terms(costs, weights).values())


class CostReadings(NamedTuple):
    """An output compared with its input."""

    distortion: Distortion | None
    crest: CrestLoss | None
    balance: BalanceShift


class CostReference:
    """What the costs of a render compare with: the input of a material, analysed once."""

    def __init__(self, material: Material) -> None:
        self.material = material
        self._own = threading.local()

    @cached_property
    def distortion(self) -> DistortionReference:
        """Spectra and masks of the input."""
        return DistortionReference(self.material.inputs, self.material.rate_hz, self.material.input_lufs)

    @cached_property
    def crest(self) -> CrestReference:
        """Crest and onsets of the input."""
        return CrestReference(self.material.inputs, self.material.rate_hz)

    @cached_property
    def balance(self) -> BalanceReference:
        """Spectrum and width of the input."""
        return BalanceReference(self.material.inputs, self.material.rate_hz)

    def warm(self) -> None:
        """Build everything now, so that parallel trials only read it."""
        self.material.warm()
        _ = (self.distortion, self.crest, self.balance)

    def costs(self, solved: Solved) -> Costs:
        """Measure all costs of a solved chain's render."""
        output = self._joined(solved.rendered)
        crest, balance = self.crest.compare(output), self.balance.compare(output)
        compared = CostReadings(self.distortion.compare(output), crest, balance)
        return self.priced(solved, compared)

    def _joined(self, parts: Sequence[Samples]) -> Samples:
        """The scored parts in one array, which is used again at the next call in this thread."""
        if not self.material.whole and not hasattr(self._own, "joined"):
            self._own.joined = np.empty_like(self.material.inputs)
        return self.material.scored(parts, getattr(self._own, "joined", None))

    def meter(self) -> "CostMeter":
        """Start to compare an output that comes in blocks."""
        return CostMeter(self)

    def priced(self, solved: Solved, compared: "CostReadings") -> Costs:
        """All costs of a solved chain, whose output has been compared with the input."""
        material = self.material
        distortion, crest, (image_shift_db, tilt_shift_db) = compared
        moving = material.trace(
            [
                np.sum([t[name].mean_db for name in MOVING if name in t], axis=0, dtype=np.float32)
                if any(name in t for name in MOVING)
                else np.zeros(-(-len(x) // material.hop), np.float32)
                for t, x in zip(solved.traces, solved.before_peaks, strict=True)
            ]
        )
        lufs = material.lufs(solved.hops)
        after_short_term = material.short_term(solved.hops)
        before_song, after_song = material.contrast(solved.hops)
        return Costs(
            added_distortion_nmr_db=FLOOR_NMR_DB if distortion is None else max(FLOOR_NMR_DB, distortion.nmr_db),
            added_distortion_low_nmr_db=FLOOR_NMR_DB
            if distortion is None
            else max(FLOOR_NMR_DB, distortion.nmr_low_db),
            crest_loss_db=0.0 if crest is None else crest.crest_loss_db,
            onset_loss_db=0.0 if crest is None else crest.onset_loss_db,
            asymmetry_reduction_db=self._asymmetry_reduction_db(solved),
            gain_movement_db=gain_movement_db(
                moving, [m[: len(t)] for m, t in zip(material.loud, moving, strict=True)]
            ),
            contrast_loss_lu=contrast_loss_lu([before_song], [after_song]),
            image_shift_db=image_shift_db,
            tilt_shift_db=tilt_shift_db,
            short_term_overshoot_lu=short_term_overshoot_lu(
                [material.input_short_term],
                [after_short_term],
                material.input_lufs,
                SILENT_LUFS if lufs is None else lufs,
            ),
        )

    def _asymmetry_reduction_db(self, solved: Solved) -> float:
        """By the level ahead of the drive at which the first peak stage begins to work; 0 where there is none."""
        material, settings = self.material, solved.settings
        limit_db = settings.get(LIMITER, "ceiling_dbtp")
        first_db = limit_db if CLIPPER not in settings else settings[CLIPPER]["ceiling_dbfs"]
        if first_db is None:
            return 0.0
        threshold_linear = db_to_linear(first_db - settings[DRIVE]["gain_db"])
        before = self._joined(solved.before_peaks)
        return asymmetry_reduction_db(before, material.rate_hz, threshold_linear, material.loud_joined)


class CostMeter:
    """Compares the output of a whole song, which comes in blocks, with its input."""

    def __init__(self, reference: CostReference) -> None:
        self._distortion = reference.distortion.meter()
        self._crest = reference.crest.meter()
        self._balance = reference.balance.meter()

    def push(self, block: Samples) -> None:
        """Take the next frames, shape (frames, channels)."""
        for meter in (self._distortion, self._crest, self._balance):
            meter.push(block)

    def result(self) -> CostReadings:
        """Of everything pushed."""
        return CostReadings(self._distortion.result(), self._crest.result(), self._balance.result())
