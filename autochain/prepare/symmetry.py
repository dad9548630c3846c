"""The rotation that makes a mix easiest on the peak stages, when there is one worth having."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from autochain.audio.allpass import all_pass_group_delay_ms, all_pass_section
from autochain.audio.hilbert import hilbert_pair, pre_echo_db
from autochain.audio.mix import Samples
from autochain.measure.asymmetry import Loud, loud_windows, window_frames
from autochain.prepare._symmetry_kernels import all_pass_window_peaks, window_peaks

STEP_DEG = 5

# A rotation moves every waveform in the mix; under this saving it is not worth the risk. Full mixes of many
# independent sounds mostly save less than 0.1 dB, a single brass or vocal lead can save several times that.
LEAST_SAVING_DB = 0.2

# All-pass sections let the lows arrive late, which a constant angle does not: they must save this much more.
LEAST_ADVANTAGE_DB = 0.1

# Where the phase of a lead's lowest harmonics can be turned, an octave apart; how abruptly; how far.
ALL_PASS_HZ = (50.0, 100.0, 200.0, 400.0, 800.0)
ALL_PASS_Q = (0.4, 0.7, 1.4)
MOST_SECTIONS = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Rotation:
    """The rotation to use.

    Attributes
    ----------
    kind
        `constant` angle, or `allpass` sections.
    angle_deg
        Constant phase rotation, -90 to 85; 0 when not used, or when the kind is another one.
    freq_hz, q, sections
        The all-pass; None when the kind is another one.
    saving_db
        Mean reduction of a linked peak stage saved by the best setting of that kind, whether used or not; at least 0.
    used
        True when the saving is large enough.
    pre_echo_db
        Energy it puts into the 5 ms before a click, in dB of the click's; None when nothing comes before.
    early_echo_db
        The part of it that comes more than 1 ms before: what may be heard apart from the click.
    group_delay_ms
        How much later than the highest frequencies the latest one arrives; 0 for a constant angle.
    """

    kind: Literal["constant", "allpass"] = "constant"
    angle_deg: float
    freq_hz: float | None = None
    q: float | None = None
    sections: int | None = None
    saving_db: float
    used: bool
    pre_echo_db: float | None = None
    early_echo_db: float | None = None
    group_delay_ms: float = 0.0

    @property
    def settings(self) -> dict[str, float]:
        """Settings of the rotation stage; a choice is its place in the list of kinds above."""
        if self.freq_hz is None or self.q is None or self.sections is None:
            return {"kind": 0.0, "angle_deg": self.angle_deg}
        return {"kind": 1.0, "freq_hz": self.freq_hz, "q": self.q, "sections": float(self.sections)}


def choose_rotation(samples: Samples, rate_hz: int, loud: Loud, threshold_linear: float) -> Rotation:
    """Find the phase rotation that leaves a linked peak stage the least to do.

    The setting minimises the mean of max(r+, r-) over the loud windows (`measure.asymmetry.mean_reduction_db`):
    of the constant angles on a grid of 5 degrees from -90 to 85 (rotating by another 180 degrees only swaps the
    polarities, so the grid is complete), and of 1 to 4 all-pass sections at 5 frequencies with 3 values of q,
    which are taken only when they save at least 0.1 dB more than the best angle.

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
        With angle 0 and `used` False when the best setting saves less than 0.2 dB or nothing is loud.
    """
    counted = loud_windows(loud, samples.shape[0], rate_hz)
    if counted.size == 0:
        return Rotation(angle_deg=0.0, saving_db=0.0, used=False)
    samples = np.ascontiguousarray(samples)
    # Ordered by size, so that of two equal angles the smaller rotation wins; 0 comes first.
    angles_deg = np.array(sorted(range(-90, 90, STEP_DEG), key=lambda angle: (abs(angle), angle)), dtype=np.float64)
    by_angle = _by_angle(samples, rate_hz, counted, threshold_linear, angles_deg)
    best = int(np.argmin(by_angle))
    saving_db = float(by_angle[0] - by_angle[best])
    constant = Rotation(
        angle_deg=float(angles_deg[best]),
        saving_db=saving_db,
        used=saving_db >= LEAST_SAVING_DB,
        pre_echo_db=pre_echo_db(rate_hz, float(angles_deg[best])),
        early_echo_db=pre_echo_db(rate_hz, float(angles_deg[best]), to_ms=1.0),
    )
    # What does nothing at any angle does nothing at all; and nothing can save more than there is.
    if by_angle[0] >= max(LEAST_SAVING_DB, saving_db + LEAST_ADVANTAGE_DB):
        all_pass = _best_all_pass(samples, rate_hz, counted, threshold_linear, float(by_angle[0]))
        if all_pass.used and all_pass.saving_db >= saving_db + LEAST_ADVANTAGE_DB:
            return all_pass
    return constant if constant.used else Rotation(angle_deg=0.0, saving_db=saving_db, used=False)


def _by_angle(
    samples: Samples,
    rate_hz: int,
    counted: npt.NDArray[np.intp],
    threshold_linear: float,
    angles_deg: npt.NDArray[np.float64],
) -> npt.NDArray[np.float64]:
    """Mean reduction in dB at each angle."""
    plain, transformed = hilbert_pair(samples, rate_hz)
    peaks = np.empty((counted.size, angles_deg.size))
    angles = np.deg2rad(angles_deg)
    window_peaks(
        plain, transformed, counted, window_frames(rate_hz), threshold_linear,
        np.cos(angles), np.sin(angles), np.empty(angles.size), peaks,
    )  # fmt: skip
    return np.asarray((20.0 * np.log10(peaks / threshold_linear)).mean(axis=0))


def _best_all_pass(
    samples: Samples, rate_hz: int, counted: npt.NDArray[np.intp], threshold_linear: float, unrotated_db: float
) -> Rotation:
    """The all-pass of the grid that saves most; of equal ones that which delays least."""
    frames = window_frames(rate_hz)
    row_of = np.full(counted[-1] + 1, -1, dtype=np.intp)
    row_of[counted] = np.arange(counted.size)
    work, peaks = np.empty((frames, 2)), np.empty((counted.size, MOST_SECTIONS))
    found = []
    for freq_hz in ALL_PASS_HZ:
        for q in ALL_PASS_Q:
            last, middle = all_pass_section(freq_hz, q, rate_hz)[:2]
            state = np.zeros((MOST_SECTIONS, 4))
            all_pass_window_peaks(samples, last, middle, row_of, frames, threshold_linear, work, state, peaks)
            mean_db = (20.0 * np.log10(peaks / threshold_linear)).mean(axis=0)
            for n, value in enumerate(mean_db, start=1):
                found.append((float(value), n * q / freq_hz, freq_hz, q, n))
    mean, _, freq_hz, q, sections = min(found)
    at_hz = np.geomspace(20.0, 20000.0, 200)
    delay = all_pass_group_delay_ms(
        np.append(at_hz, freq_hz), freq_hz=freq_hz, q=q, sections=sections, rate_hz=rate_hz
    )
    return Rotation(
        kind="allpass",
        angle_deg=0.0,
        freq_hz=freq_hz,
        q=q,
        sections=sections,
        saving_db=unrotated_db - mean,
        used=unrotated_db - mean >= LEAST_SAVING_DB,
        group_delay_ms=float(delay.max()),
    )
