"""Spectral balance: long-term levels in third-octave bands from 25 Hz to 20 kHz.

Bands as in IEC 61260-1:2014: base-ten octave ratio G = 10^(3/10), exact mid-bands 1000 G^(x/3) Hz, edges
G^(+-1/6) around them, nominal frequencies for their names. The levels are sums over a power spectrum whose bins
are shared where an edge cuts them, so the bands have steep sides at their edges. None of the standard's class
limits is claimed: it defines filters in time (relative attenuation, effective bandwidth, time-variant signals),
and these are none.
"""

from dataclasses import dataclass

from autochain.measure.spectrum import Spectrum
from autochain.units import power_to_db

_OCTAVE_RATIO = 10.0**0.3  # IEC 61260-1:2014, equation 1: base ten
# IEC 61260-1:2014, annex E.1: nominal mid-band frequencies for x = -16 to 13.
NOMINAL_HZ = (
    25.0, 31.5, 40.0, 50.0, 63.0, 80.0, 100.0, 125.0, 160.0, 200.0, 250.0, 315.0, 400.0, 500.0, 630.0, 800.0,
    1000.0, 1250.0, 1600.0, 2000.0, 2500.0, 3150.0, 4000.0, 5000.0, 6300.0, 8000.0, 10000.0, 12500.0, 16000.0,
    20000.0,
)  # fmt: skip
_FIRST_INDEX = -16
_NOTHING = 1e-20  # -200 dB: below it a band has no level


@dataclass(frozen=True, slots=True, kw_only=True)
class ThirdOctave:
    """Levels of one third-octave band, in dB re a mean square of 1; None where there is nothing.

    Attributes
    ----------
    nominal_hz
        Name of the band.
    centre_hz
        Its exact mid-band frequency.
    level_db
        Left and right added as powers: a full-scale sine in one channel reads -3.01, in both 0.
    mid_db, side_db
        The same of (L + R) / sqrt(2) and (L - R) / sqrt(2), whose powers add up to `level_db`. The mid of one
        channel is the channel; it has no side.
    """

    nominal_hz: float
    centre_hz: float
    level_db: float | None
    mid_db: float | None
    side_db: float | None


def centre_hz(x: int) -> float:
    """Exact mid-band frequency of band x, 1000 Hz for x = 0 (IEC 61260-1:2014, equation 2)."""
    return float(1000.0 * _OCTAVE_RATIO ** (x / 3.0))


def edges_hz(x: int) -> tuple[float, float]:
    """Lower and upper edge of band x (IEC 61260-1:2014, equations 4 and 5)."""
    return centre_hz(x) * _OCTAVE_RATIO ** (-1.0 / 6.0), centre_hz(x) * _OCTAVE_RATIO ** (1.0 / 6.0)


def third_octaves(spectrum: Spectrum) -> tuple[ThirdOctave, ...]:
    """Long-term levels of the bands from 25 Hz to 20 kHz, lowest first.

    Within 0.05 dB for a tone at a mid-band; the lowest band is four bins wide, and two bins leak over an
    edge. At 44.1 kHz the upper edge of the 20 kHz band lies above half the rate: its level is that of the part
    below.
    """
    bands = []
    for k, nominal in enumerate(NOMINAL_HZ):
        x = _FIRST_INDEX + k
        mid, side = spectrum.between(*edges_hz(x))
        bands.append(
            ThirdOctave(
                nominal_hz=nominal,
                centre_hz=centre_hz(x),
                level_db=_level(mid + side),
                mid_db=_level(mid),
                side_db=_level(side),
            )
        )
    return tuple(bands)


def _level(power: float) -> float | None:
    return power_to_db(power) if power > _NOTHING else None
