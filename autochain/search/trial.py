"""What a trial is: where its solve starts, its chain at the solved drive, and its price."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from autochain.audio.mix import Samples
from autochain.chain.stage import GainTrace
from autochain.config.model import Coordinates
from autochain.measure.true_peak import TruePeakReading
from autochain.search.costs import Costs
from autochain.search.drive import Solution


@dataclass(frozen=True, slots=True, kw_only=True)
class Guess:
    """What neighbours suggest: level lost to the peak stages in dB, and slope in LU per dB."""

    loss_db: float = 1.0
    slope: float = 0.75


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """A priced point.

    Attributes
    ----------
    coordinates
        Where the sampler stood; None for fixed settings.
    settings
        Complete chain settings, drive included.
    solution
        How the drive was found and what loudness it gave.
    costs, score
        Costs of that render and their weighted sum (with the penalty when out of reach).
    loss_db
        Drive beyond what gain alone would have needed: loudness given up to the peak stages.
    early_work_db
        What the compressors and the clipper take in the loud parts.
    first_score, first_loss_db
        The same on the first excerpt alone, where that was judged.
    pruned
        True when it was judged on the first excerpt alone: the costs are of that, score and loss are estimates.
    """

    coordinates: Coordinates | None
    settings: dict[str, dict[str, float]]
    solution: Solution
    costs: Costs
    score: float
    loss_db: float
    early_work_db: float
    first_score: float | None = None
    first_loss_db: float | None = None
    pruned: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Solved:
    """A chain at its solved drive, with the render it gave.

    Attributes
    ----------
    settings
        Complete chain settings, drive included.
    solution
        How the drive was found and what loudness it gave.
    loss_db
        Drive beyond what gain alone would have needed.
    before_peaks
        Signal before the drive, per segment, pre-roll included.
    rendered
        Output per segment, pre-roll included.
    traces
        Gain traces per segment, by stage name, pre-roll included.
    hops
        K-weighted power per 10 ms hop of the scored output, per segment.
    true_peak
        Reading of the output; None when no ceiling was held.
    """

    settings: dict[str, dict[str, float]]
    solution: Solution
    loss_db: float
    before_peaks: list[Samples]
    rendered: list[Samples]
    traces: list[dict[str, GainTrace]]
    hops: list[npt.NDArray[np.float64]]
    true_peak: TruePeakReading | None
