"""What goes into a solve as a guess, and what comes out of it."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from autochain.audio.mix import Samples
from autochain.chain.settings import ChainSettings, StageName
from autochain.chain.stage import GainTrace
from autochain.solve.drive import Solution


@dataclass(frozen=True, slots=True, kw_only=True)
class Guess:
    """Where a solve starts to look: level lost to the peak stages in dB, and slope in LU per dB.

    `drive_db`, where it is known, is the drive itself: what a chain needs on the excerpts it needs on the song. With
    `out_of_reach` it is the drive from which on more hardly made the excerpts louder, which were still too quiet.
    `over_told_lu`, where it is known, is how much louder the chain comes out than `solve.estimate` tells.
    """

    loss_db: float = 1.0
    slope: float = 0.75
    drive_db: float | None = None
    out_of_reach: bool = False
    over_told_lu: float | None = None


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
        Output per segment, pre-roll included; none where it was not kept.
    traces
        Gain traces per segment, by stage name, pre-roll included.
    hops
        K-weighted power per 10 ms hop of the scored output, per segment.
    true_peak_dbtp
        The highest reading of the output; None when no ceiling was held, and for silence.
    """

    settings: ChainSettings
    solution: Solution
    loss_db: float
    before_peaks: list[Samples]
    rendered: list[Samples]
    traces: list[dict[StageName, GainTrace]]
    hops: list[npt.NDArray[np.float64]]
    true_peak_dbtp: float | None
