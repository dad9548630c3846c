"""What a plot shows over time and frequency, beside the numbers of a measurement."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from autochain.measure.asymmetry import AsymmetrySeries
from autochain.measure.peaks import PsrSeries
from autochain.measure.third_octaves import ThirdOctave

_Doubles = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MixSeries:
    """Courses over the mix; empty where there is nothing, never NaN.

    Attributes
    ----------
    momentary_lufs, short_term_lufs
        Loudness of each complete 400 ms and 3 s window, 10 ms apart, floor -200; the time of value k is
        `loudness.centre_s(k, window)`.
    psr
        Peak to short-term loudness of the windows that count.
    asymmetry
        Asymmetry of the loud 50 ms windows.
    thirds
        Long-term third-octave levels, lowest band first.
    clipped_at_s
        Mix times of the 10 ms hops in which clipped runs begin, in s.
    """

    momentary_lufs: _Doubles
    short_term_lufs: _Doubles
    psr: PsrSeries
    asymmetry: AsymmetrySeries
    thirds: tuple[ThirdOctave, ...]
    clipped_at_s: tuple[float, ...]
