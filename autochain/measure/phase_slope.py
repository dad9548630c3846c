"""The delay in the phase of a cross spectrum that an equaliser, a rotation or an all-pass has bent.

The phase is explained by robust least squares as a sum of some of these:

- phi, a constant rotation, and -w tau, the delay: always;
- k m(w), a share k of the minimum phase that belongs to the measured magnitude: 1 for an ordinary equaliser, 0
  for a linear-phase one: always;
- a cot(w / 2) + b cot^3(w / 2), what a bilinear all-pass (or high-pass) leaves far above its frequency: the first
  terms of its phase, 2 arctan of something that falls with cot(w / 2);
- d m'(w), the minimum phase of a rise of magnitude above the highest frequency that the sound holds.

The last two are used when the phase cannot be explained without: terms that nothing in the sound settles would
trade against the delay. A bin counts by its coherence C: its phase has the variance (1 - C) / (2 K C) over K
windows (J. S. Bendat and A. G. Piersol, Random Data, 4th ed., table 9.6). Bins that do not fit count little
(Cauchy weights), so that an all-pass in the bass, whose phase is anything there, does not pull the delay.
"""

from dataclasses import dataclass
from itertools import product

import numpy as np
import numpy.typing as npt
import scipy.fft

from autochain.measure.cross_spectra import Complexes, Floats, debiased

_FROM_HZ = 40.0
_TO = 0.46  # of the rate
_LEAST_COHERENCE = 0.02
_MODEL_ERROR_RAD = 0.01  # no bin's phase is trusted further
_OUTLIER_RAD = 0.05
_GOOD_RAD = 0.002  # a fit this close needs nothing more
_WORTH = 0.6  # what a term must leave of the misfit
_ALL_PASS_HZ = 1000.0
_STAGES = (0.4, 0.2, 0.1)  # from the top of the spectrum downwards, in parts of its top frequency
_STEPS = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class PhaseSlope:
    """Delay in samples and constant phase in rad, -pi to pi."""

    delay_samples: float
    phase_rad: float


def fit_phase_slope(xx: Floats, yy: Floats, yx: Complexes, windows: float, rate_hz: int) -> PhaseSlope | None:
    """Explain the phase of a cross spectrum whose delay is within half a sample or so.

    Parameters
    ----------
    xx, yy, yx
        Averaged powers and cross spectrum, bins from 0 Hz to half the rate.
    windows
        Number of independent windows in the averages.
    rate_hz
        Sample rate.

    Returns
    -------
    PhaseSlope or None
        None when next to nothing is coherent.
    """
    bins = xx.size
    f = np.arange(bins) * rate_hz / (2.0 * (bins - 1))
    C = coherence(xx, yy, yx, windows)
    C[(f < _FROM_HZ) | (f > _TO * rate_hz)] = 0.0
    used = np.flatnonzero(C > _LEAST_COHERENCE)
    if used.size < 8:
        return None
    w = 2.0 * np.pi * f[used] / rate_hz
    precision = 1.0 / ((1.0 - C[used]) / (2.0 * windows * C[used]) + _MODEL_ERROR_RAD**2)
    minimum, beyond = _minimum_phases(xx, yx, C)
    cot = np.tan(np.pi * _ALL_PASS_HZ / rate_hz) / np.tan(0.5 * w)
    always = (np.ones(w.size), -w, minimum[used])
    phases = yx[used] / np.abs(yx[used])
    best, least = np.zeros(3), np.inf
    for below, above in product(((), (cot,), (cot, cot**3)), ((), (beyond[used],))):
        columns = np.stack(always + below + above, axis=1)
        p, misfit = _fit(phases, columns, precision, w)
        if misfit < _WORTH * least:
            best, least = p, misfit
        if least < _GOOD_RAD**2:
            break
    return PhaseSlope(delay_samples=float(best[1]), phase_rad=float(np.angle(np.exp(1j * best[0]))))


def coherence(xx: Floats, yy: Floats, yx: Complexes, windows: float) -> Floats:
    """Coherence |yx|^2 / (xx yy) per bin, 0 to 1, without what chance shows and 0 where nothing sounds."""
    power = xx * yy
    C = np.zeros(power.size)
    known = power > 1e-26 * power.max()
    C[known] = np.minimum(1.0, np.abs(yx[known]) ** 2 / power[known])
    return debiased(C, windows)


def _fit(phases: Complexes, columns: Floats, precision: Floats, w: Floats) -> tuple[Floats, float]:
    """Coefficients, and the mean square misfit in rad^2 with outliers held at little."""
    # Without an equaliser nothing settles k: then it stays 1. The weak rest keeps the equations solvable.
    prior, rest = np.zeros(columns.shape[1]), np.ones(columns.shape[1])
    prior[2], rest[:2], rest[2] = 1.0, 0.0, 4.0
    information = np.cumsum(precision)
    top = w[np.searchsorted(information, 0.98 * information[-1])]
    p = prior.copy()
    # All-pass terms describe the top best and the bottom not at all: start there, and stay above.
    for stage in _STAGES if columns.shape[1] > 3 else (0.0,):
        kept = slice(int(np.searchsorted(w, stage * top)), None)
        A, v, u = columns[kept], precision[kept], phases[kept]
        if p[0] == 0.0:
            p[0] = np.angle(np.sum(u * v))
        for _ in range(_STEPS):
            residual = np.angle(u * np.exp(-1j * (A @ p)))
            weighted = A * (v / (1.0 + (residual / _OUTLIER_RAD) ** 2))[:, np.newaxis]
            change = np.linalg.solve(weighted.T @ A + np.diag(rest), weighted.T @ residual + rest * (prior - p))
            p = p + change
            if abs(change[1]) < 1e-5:
                break
    judged = slice(int(np.searchsorted(w, _STAGES[-1] * top)), None)
    residual = np.angle(phases[judged] * np.exp(-1j * (columns[judged] @ p)))
    loss = _OUTLIER_RAD**2 * np.log1p((residual / _OUTLIER_RAD) ** 2)
    return p, float(precision[judged] @ loss / precision[judged].sum())


def _minimum_phases(xx: Floats, yx: Complexes, C: Floats) -> tuple[Floats, Floats]:
    """Minimum phase in rad of the magnitude |yx / xx| in 1/12-octave means, and of a rise of 1 Np beyond them.

    By the folded cepstrum (A. V. Oppenheim and R. W. Schafer, Discrete-Time Signal Processing, 1989, 12.4).
    Where next to nothing is coherent, the magnitude goes straight on from the nearest band.
    """
    bins = xx.size
    log_magnitude = np.log(np.maximum(np.abs(yx), 1e-300) / np.maximum(xx, 1e-300))
    octave = np.zeros(bins)
    octave[1:] = 12.0 * np.log2(np.arange(1, bins))
    band = np.round(octave).astype(np.int64)
    weight = C**2
    sums = np.bincount(band, weight)
    means = np.bincount(band, weight * log_magnitude) / np.maximum(sums, 1e-300)
    reliable = np.flatnonzero(sums > 0.1 * np.bincount(band).clip(1))
    if reliable.size < 2:
        return np.zeros(bins), np.zeros(bins)
    edge = reliable[-1]
    rise = np.clip((octave - edge) / max(octave[-1] - edge, 1.0), 0.0, 1.0)
    return _cepstral_phase(np.interp(octave, reliable, means[reliable])), _cepstral_phase(rise)


def _cepstral_phase(log_magnitude: Floats) -> npt.NDArray[np.float64]:
    cepstrum = scipy.fft.irfft(log_magnitude)
    half = cepstrum.size // 2
    cepstrum[1:half] *= 2.0
    cepstrum[half + 1 :] = 0.0
    return np.asarray(scipy.fft.rfft(cepstrum).imag)
