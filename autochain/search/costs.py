"""Every cost of a render, each in its own unit, and the score that prices them.

Definitions live with the measures; weights live in the config. Lower is better everywhere.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, fields

import numpy as np
import numpy.typing as npt

from autochain.audio.mix import Samples
from autochain.chain.stage import GainTrace
from autochain.config.model import Weights
from autochain.measure.asymmetry import asymmetry_reduction_db
from autochain.measure.movement import contrast_loss_lu, gain_movement_db, short_term_overshoot_lu
from autochain.solve.material import Material

# Noise-to-mask ratios far under this cost nothing, far above it every dB costs a dB: 30 dB under the just-audible
# region of BS.1387, because a mean over bands and frames hides single disturbed ones. At -20 dB nearly all of what
# clipping adds was free, and only movement was paid for.
INAUDIBLE_NMR_DB = -30.0
FLOOR_NMR_DB = -99.0
MOVING = ("bus_compressor", "peak_compressor", "limiter")


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


NAMES = tuple(f.name for f in fields(Costs))
NOTHING = Costs(
    **{name: FLOOR_NMR_DB if name.endswith("nmr_db") else 0.0 for name in NAMES},
)


def counted_db(nmr_db: float) -> float:
    """What the score counts of a noise-to-mask ratio, in dB, >= 0: a smooth knee at -30 dB."""
    return 10.0 * math.log10(1.0 + 10.0 ** ((nmr_db - INAUDIBLE_NMR_DB) / 10.0))


def priced_db(costs: Costs) -> dict[str, float]:
    """Every cost in the dB (or LU) that the score counts: noise-to-mask ratios above a smooth knee at -30 dB."""
    priced = costs.as_dict()
    for name in NAMES:
        if name.endswith("nmr_db"):
            priced[name] = counted_db(priced[name])
    return priced


def terms(costs: Costs, weights: Weights) -> dict[str, float]:
    """Contribution of every cost to the score; they add up to it."""
    return {name: getattr(weights, name) * value for name, value in priced_db(costs).items()}


def score(costs: Costs, weights: Weights) -> float:
    """Weighted sum of the costs; lower is better."""
    return sum(terms(costs, weights).values())


def measure_costs(
    material: Material,
    rendered: Sequence[Samples],
    hops: Sequence[npt.NDArray[np.float64]],
    lufs: float,
    traces: Sequence[Mapping[str, GainTrace]],
    before_peaks: Sequence[Samples],
    threshold_linear: float,
) -> Costs:
    """Measure all costs of one render.

    Parameters
    ----------
    material
        What was rendered, with its references.
    rendered
        Output per segment.
    hops, lufs
        K-weighted power and gated loudness of the scored output.
    traces
        Gain traces per segment, by stage name.
    before_peaks
        Signal before the drive, per segment.
    threshold_linear
        Level in that signal at which the first peak stage begins to work.
    """
    output = material.scored(rendered)
    distortion = material.distortion.compare(output)
    crest = material.crest.compare(output)
    image_shift_db, tilt_shift_db = material.balance.compare(output)
    moving = material.trace(
        [
            np.sum([t[name].mean_db for name in MOVING if name in t], axis=0, dtype=np.float32)
            if any(name in t for name in MOVING)
            else np.zeros(-(-len(r) // material.hop), np.float32)
            for t, r in zip(traces, rendered, strict=True)
        ]
    )
    after_short_term = material.short_term(hops)
    before_song, after_song = material.contrast(hops)
    return Costs(
        added_distortion_nmr_db=FLOOR_NMR_DB if distortion is None else max(FLOOR_NMR_DB, distortion.nmr_db),
        added_distortion_low_nmr_db=FLOOR_NMR_DB if distortion is None else max(FLOOR_NMR_DB, distortion.nmr_low_db),
        crest_loss_db=0.0 if crest is None else crest.crest_loss_db,
        onset_loss_db=0.0 if crest is None else crest.onset_loss_db,
        asymmetry_reduction_db=asymmetry_reduction_db(
            material.scored(before_peaks), material.rate_hz, threshold_linear, material.loud_joined
        ),
        gain_movement_db=gain_movement_db(moving, [m[: len(t)] for m, t in zip(material.loud, moving, strict=True)]),
        contrast_loss_lu=contrast_loss_lu([before_song], [after_song]),
        image_shift_db=image_shift_db,
        tilt_shift_db=tilt_shift_db,
        short_term_overshoot_lu=short_term_overshoot_lu(
            [material.input_short_term], [after_short_term], material.input_lufs, lufs
        ),
    )
