"""A band of the sound that a gain may work on alone: y = x + (g - 1) band(x)."""

import math

import numpy as np
import numpy.typing as npt

from autochain.audio.mix import Samples
from autochain.audio.sections import Section
from autochain.chain.crossover import Cascade, linkwitz_riley_high, linkwitz_riley_low, section

_SILENT = 1e-15  # what the filters' state leaves in silence is less


class Band:
    """Band between two corners: what a gain is to be measured on, and what it is to be given to.

    To be heard (`heard`), the band ends at 24 dB per octave (Linkwitz-Riley, `crossover.py`), so that what happens
    outside hardly counts. To be turned up or down (`band`), such steep ends would not do: they lag by half a turn
    at the corner, so that 6 dB up would leave a hole there. There a corner is B = (1 + s / sqrt 2) / (1 + sqrt 2 s
    + s^2), or its mirror image: 1 + (g - 1) B is a shelf of minimum phase with gain g at its end, between 1 and g
    everywhere within 0.025 dB, for gains of -6 to 6 dB. Two octaves beyond the corner 0.2 dB are left of 6 dB, three
    octaves beyond 0.04. With both corners the gain passes g by up to 0.5 dB in the middle. With g = 1 nothing is
    touched, neither level nor phase.

    Parameters
    ----------
    low_hz, high_hz
        Corners, or 0 for an open end; at least one is given, and both are an octave apart at least.
    rate_hz, channels
        Of the stream.
    """

    def __init__(self, low_hz: float, high_hz: float, rate_hz: int, channels: int) -> None:
        heard: list[Section] = []
        band: list[Section] = []
        slope, damping = math.sqrt(0.5), math.sqrt(2.0)
        if low_hz:
            heard += linkwitz_riley_high(low_hz, rate_hz)
            band.append(section((0.0, slope, 1.0), damping, low_hz, rate_hz))
        if high_hz:
            heard += linkwitz_riley_low(high_hz, rate_hz)
            band.append(section((1.0, slope, 0.0), damping, high_hz, rate_hz))
        self._heard, self._band = Cascade(heard, channels), Cascade(band, channels)

    def split(self, samples: Samples) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
        """Return what is heard, and the band to turn up or down, of the next frames."""
        heard, band = np.empty(samples.shape), np.empty(samples.shape)
        self._heard.run(samples, heard)
        self._band.run(samples, band)
        heard[np.abs(heard) < _SILENT] = 0.0
        band[np.abs(band) < _SILENT] = 0.0
        return heard, band


def lag_s(high_hz: float) -> float:
    """Time by which the heard band is behind the band, by the group delays at 0 Hz; 0 with an open upper end.

    Closed form: a pole pair of damping sqrt 2 delays by sqrt 2 / w; there are two where it is heard, and one, less
    sqrt(1/2) / w for its zero, where it is turned. The lower corner delays nothing that matters.
    """
    return (2.0 * math.sqrt(2.0) - math.sqrt(0.5)) / (2.0 * math.pi * high_hz) if high_hz else 0.0
