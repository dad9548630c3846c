"""The rotation that makes a mix easiest on the peak stages, when there is one worth having."""

from dataclasses import dataclass

import numpy as np

from autochain.audio.hilbert import hilbert_pair
from autochain.audio.mix import Samples
from autochain.measure.asymmetry import Loud, loud_windows, window_frames
from autochain.prepare._symmetry_kernels import window_peaks

STEP_DEG = 5

# A rotation moves every waveform in the mix; under this saving it is not worth the risk. Full mixes of many
# independent sounds mostly save less than 0.1 dB, a single brass or vocal lead can save several times that.
LEAST_SAVING_DB = 0.2


@dataclass(frozen=True, slots=True, kw_only=True)
class Rotation:
    """The rotation to use.

    Attributes
    ----------
    angle_deg
        Constant phase rotation, -90 to 85; 0 when not used.
    saving_db
        Mean reduction of a linked peak stage saved at the best angle, whether used or not; at least 0.
    used
        True when the saving is large enough.
    """

    angle_deg: float
    saving_db: float
    used: bool


def choose_rotation(samples: Samples, rate_hz: int, loud: Loud, threshold_linear: float) -> Rotation:
    """Find the constant phase rotation that leaves a linked peak stage the least to do.

    The angle minimises the mean of max(r+, r-) over the loud windows (`measure.asymmetry.mean_reduction_db`)
    on a grid of 5 degrees from -90 to 85. Rotating by another 180 degrees only swaps the polarities, so the
    grid is complete.

    Parameters
    ----------
    samples
        Shape (frames, channels): the input of the first peak stage.
    rate_hz
        Sample rate.
    loud
        One flag per 10 ms hop.
    threshold_linear
        Level above which that stage works, full scale 1.0, above 0.

    Returns
    -------
    Rotation
        With angle 0 and `used` False when the best angle saves less than 0.2 dB or nothing is loud.
    """
    counted = loud_windows(loud, samples.shape[0], rate_hz)
    if counted.size == 0:
        return Rotation(angle_deg=0.0, saving_db=0.0, used=False)
    # Ordered by size, so that of two equal angles the smaller rotation wins.
    grid = sorted(range(-90, 90, STEP_DEG), key=lambda angle: (abs(angle), angle))
    angles_deg = np.array(grid, dtype=np.float64)
    plain, transformed = hilbert_pair(samples, rate_hz)
    peaks = np.empty((counted.size, angles_deg.size))
    angles = np.deg2rad(angles_deg)
    window_peaks(
        np.ascontiguousarray(plain), transformed, counted, window_frames(rate_hz), threshold_linear,
        np.cos(angles), np.sin(angles), np.empty(angles.size), peaks,
    )
    mean_db = (20.0 * np.log10(peaks / threshold_linear)).mean(axis=0)
    best = int(np.argmin(mean_db))
    saving_db = float(mean_db[0] - mean_db[best])
    used = saving_db >= LEAST_SAVING_DB
    return Rotation(angle_deg=float(angles_deg[best]) if used else 0.0, saving_db=saving_db, used=used)
