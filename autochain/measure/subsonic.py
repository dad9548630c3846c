"""Subsonic energy: what lies under the range of hearing, and takes room under the ceiling for nothing."""

from autochain.measure.spectrum import Spectrum
from autochain.measure.stereo import SILENCE_POWER
from autochain.units import power_to_db

SUBSONIC_HZ = 20.0


def subsonic_db(spectrum: Spectrum) -> float | None:
    """Energy below 20 Hz in dB re the whole energy, both channels together, the mean (DC) left out of both.

    Returns
    -------
    At most 0; -30 dB is a thousandth. None for silence.
    """
    total = float(spectrum.mid.sum() + spectrum.side.sum())
    if total <= SILENCE_POWER:
        return None
    return min(0.0, power_to_db(sum(spectrum.between(0.0, SUBSONIC_HZ)) / total))
