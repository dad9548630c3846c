"""The Hilbert transform of a whole signal, by one long linear-phase filter."""

import math
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from autochain.audio.centred_filter import filter_centred
from autochain.audio.mix import Samples

# Half the filter's length. 33 ms with KAISER_BETA 5 keeps the magnitude within 0.04 dB from 25 Hz to 25 Hz
# under Nyquist at any rate; a shorter filter misses the 25 Hz end, a longer one only adds pre-echo.
HALF_LENGTH_MS = 33.0
KAISER_BETA = 5.0


def transformer_half_length_samples(rate_hz: int) -> int:
    """Delay of the transformer in samples, odd so that its outermost taps are not zero."""
    return math.ceil(HALF_LENGTH_MS * 1e-3 * rate_hz) | 1


@lru_cache(maxsize=4)
def hilbert_taps(rate_hz: int) -> npt.NDArray[np.float64]:
    """Impulse response of the transformer, antisymmetric about its middle tap, odd length.

    The ideal response 2 / (pi n) at odd n and 0 at even n under a Kaiser window (A. V. Oppenheim and
    R. W. Schafer, Discrete-Time Signal Processing, 1989, section 10.4: type III FIR Hilbert transformer).
    """
    half = transformer_half_length_samples(rate_hz)
    n = np.arange(-half, half + 1)
    odd = n % 2 != 0
    taps = np.zeros(n.size)
    taps[odd] = 2.0 / (np.pi * n[odd])
    taps *= np.kaiser(n.size, KAISER_BETA)
    taps.flags.writeable = False
    return taps


def rotation_taps(rate_hz: int, angle_deg: float) -> npt.NDArray[np.float64]:
    """Impulse response, its middle tap at no delay, that turns cos(w t) into cos(w t + angle)."""
    angle = math.radians(angle_deg)
    taps = -math.sin(angle) * hilbert_taps(rate_hz)
    taps[taps.size // 2] += math.cos(angle)
    return taps


def pre_echo_db(rate_hz: int, angle_deg: float, from_ms: float = 5.0, to_ms: float = 0.0) -> float | None:
    """Energy that a rotation puts between `from_ms` and `to_ms` before an isolated click, in dB of the click's energy.

    Half the energy of the turned part, sin(angle)^2, comes before the click, four fifths of that in the last
    sample alone: the last 5 ms hold it all but a thousandth. What is heard as an echo is what comes earlier,
    so ask for 5 to 1 ms too.

    Returns
    -------
    float or None
        None when nothing comes before: at 0 and 180 degrees.
    """
    taps = rotation_taps(rate_hz, angle_deg)
    place = taps.size // 2
    first, last = (max(0, place - round(ms * 1e-3 * rate_hz)) for ms in (from_ms, to_ms))
    energy = float(np.sum(taps[first:last] ** 2))
    # sin(180 degrees) is not quite 0 in floating point.
    return 10.0 * math.log10(energy) if energy > 1e-30 else None


def hilbert_pair(samples: Samples, rate_hz: int) -> tuple[Samples, Samples]:
    """Return the signal and its Hilbert transform, aligned in time.

    Parameters
    ----------
    samples
        Shape (frames, channels), channels 1 or 2.
    rate_hz
        Sample rate.

    Returns
    -------
    tuple
        `samples` itself and a new array of the same shape and dtype in which cos(w t) has become sin(w t):
        within 0.05 dB from 25 Hz to 25 Hz under Nyquist, falling to nothing at 0 Hz. The filter's delay of
        `transformer_half_length_samples` is taken out; the signal counts as silent before its start and after its end.
    """
    return samples, filter_centred(samples, hilbert_taps(rate_hz))
