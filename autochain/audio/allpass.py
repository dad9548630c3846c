"""All-pass sections: every frequency as loud as before, the low ones later than the high ones."""

import math

import numpy as np
import numpy.typing as npt

from autochain.audio.sections import Section


def all_pass_section(freq_hz: float, q: float, rate_hz: int) -> Section:
    """Second-order all-pass: phase 0 at 0 Hz, -180 degrees at `freq_hz`, -360 degrees at Nyquist.

    W3C Group Note "Audio EQ Cookbook" (R. Bristow-Johnson, 2021), APF. The larger `q`, the narrower the range
    of frequencies in which the phase turns.
    """
    w0 = 2.0 * math.pi * freq_hz / rate_hz
    alpha = math.sin(w0) / (2.0 * q)
    middle, last = -2.0 * math.cos(w0) / (1.0 + alpha), (1.0 - alpha) / (1.0 + alpha)
    # Numerator and denominator are the same numbers in opposite order, which makes the magnitude 1 exactly.
    return np.array([last, middle, 1.0, middle, last])


def all_pass_group_delay_ms(
    at_hz: npt.NDArray[np.float64], *, freq_hz: float, q: float, sections: int, rate_hz: int
) -> npt.NDArray[np.float64]:
    """Group delay of a cascade of equal sections at the frequencies `at_hz`, in ms.

    The analogue all-pass (s^2 - s w0/Q + w0^2) / (s^2 + s w0/Q + w0^2) delays by
    2 (w0/Q) (w0^2 + W^2) / ((w0^2 - W^2)^2 + (w0 W/Q)^2) at W, 4 Q/w0 at its centre (the derivative of its
    phase); the bilinear transform puts W = 2 f tan(w / 2 f), f the sample rate, in the place of w and
    multiplies the delay by dW/dw.
    """
    w0 = 2.0 * rate_hz * math.tan(math.pi * freq_hz / rate_hz)
    bent = 2.0 * rate_hz * np.tan(np.pi * at_hz / rate_hz)
    analogue = 2.0 * (w0 / q) * (w0**2 + bent**2) / ((w0**2 - bent**2) ** 2 + (w0 * bent / q) ** 2)
    return np.asarray(1e3 * sections * analogue * (1.0 + (bent / (2.0 * rate_hz)) ** 2))
