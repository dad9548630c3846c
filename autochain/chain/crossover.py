"""Second-order sections in a row, and the Linkwitz-Riley crossover made of them."""

import math
from collections.abc import Sequence

import numpy as np

from autochain.audio.mix import Samples
from autochain.audio.sections import Section
from autochain.chain._crossover_kernels import biquad


class Cascade:
    """Sections in a row on a stream; state in float64. Where the blocks are cut changes no bit.

    Parameters
    ----------
    sections
        In the order in which they run; at least one.
    channels
        1 or 2, filtered alike.
    """

    def __init__(self, sections: Sequence[Section], channels: int) -> None:
        self._sections = tuple(sections)
        self._states = np.zeros((len(self._sections), channels, 2))

    def run(self, samples: Samples, output: Samples) -> None:
        """Fill `output`, of the shape of the next `samples` (frames, channels); in place where they are one array.

        Between sections the values are rounded to the output's type: hand in float64 for more than one.
        """
        source = samples
        for section, state in zip(self._sections, self._states, strict=True):
            biquad(source, section, state, output)
            source = output


def section(analogue: tuple[float, float, float], damping: float, freq_hz: float, rate_hz: int) -> Section:
    """Section of (n0 + n1 s + n2 s^2) / (1 + damping s + s^2), with s = 1j at `freq_hz`.

    Bilinear transform, s = (1 - 1/z) / (1 + 1/z) / tan(pi freq_hz / rate_hz): gain and phase at `freq_hz` are
    those of the analogue filter, as they are at 0 Hz.
    """
    n0, n1, n2 = analogue
    k = math.tan(math.pi * freq_hz / rate_hz)
    a0 = k * k + damping * k + 1.0
    numerator = (n0 * k * k + n1 * k + n2, 2.0 * (n0 * k * k - n2), n0 * k * k - n1 * k + n2)
    return np.array([*numerator, 2.0 * (k * k - 1.0), k * k - damping * k + 1.0]) / a0


def butterworth_low(freq_hz: float, rate_hz: int) -> Section:
    """Low-pass, 12 dB per octave, 3.01 dB down at `freq_hz`."""
    return section((1.0, 0.0, 0.0), math.sqrt(2.0), freq_hz, rate_hz)


def butterworth_high(freq_hz: float, rate_hz: int) -> Section:
    """High-pass, 12 dB per octave, 3.01 dB down at `freq_hz`."""
    return section((0.0, 0.0, 1.0), math.sqrt(2.0), freq_hz, rate_hz)


def linkwitz_riley_low(freq_hz: float, rate_hz: int) -> tuple[Section, Section]:
    """Low half of a fourth-order Linkwitz-Riley crossover: 24 dB per octave, 6.02 dB down at `freq_hz`.

    S. Linkwitz, "Active Crossover Networks for Noncoincident Drivers", J. Audio Eng. Soc. 24(1), 1976 (from
    memory): two equal Butterworth filters in a row. Low and high half are in phase everywhere and add up to the
    all-pass (s^2 - sqrt(2) s + 1) / (s^2 + sqrt(2) s + 1), of magnitude 1 at every frequency, which the bilinear
    transform keeps. Each half lags by half a turn at the corner, so mixed with the unfiltered sound it digs a hole.
    """
    return (butterworth_low(freq_hz, rate_hz),) * 2


def linkwitz_riley_high(freq_hz: float, rate_hz: int) -> tuple[Section, Section]:
    """High half of the crossover of `linkwitz_riley_low`."""
    return (butterworth_high(freq_hz, rate_hz),) * 2
