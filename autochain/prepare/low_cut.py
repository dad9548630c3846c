"""A high-pass only where it removes subsonic energy or an offset that is really there; with both of its effects.

A high-pass turns the phase of the bass, which moves peaks, up as well as down. So each candidate is run over the mix
and what it does to energy and peak is told. Corners of 20, 25 and 30 Hz with 12 dB per octave, an energy under
20 Hz of more than -30 dB of the whole, an offset above -60 dBFS (a step at both ends of the song that is then just
under what 16 bits can hide): common practice, no source.
"""

from dataclasses import dataclass

import numpy as np

from autochain.audio.mix import Samples
from autochain.audio.room import in_blocks
from autochain.audio.sections import SectionFilter, Step, butterworth_high_pass
from autochain.measure.measurement import Measurement
from autochain.prepare.corrective import HIGH_PASS
from autochain.units import linear_to_db, power_to_db

_SUBSONIC_DB = -30.0
_OFFSET_DBFS = -60.0
_CORNERS_HZ = (20.0, 25.0, 30.0)
_OFFSET_CORNER_HZ = 10.0  # well below everything that sounds: where only an offset has to go
_Q = 0.71
_BLOCK_FRAMES = 1 << 15
# A rise of the peak by more than this costs more headroom than the subsonics did: then without phase shift.
_MOST_RISE_DB = 0.3


@dataclass(frozen=True, slots=True, kw_only=True)
class LowCut:
    """A high-pass and what it does.

    Attributes
    ----------
    freq_hz
        Corner, 3 dB down, 12 dB per octave.
    linear_phase
        True where the phase shift of the usual filter raised the peak.
    removed_db
        Energy that it removes, in dB of the whole, at most 0.
    peak_change_db
        What its phase shift does to the sample peak; of the usual filter also where `linear_phase` is True.
    subsonic_db, offset_dbfs
        What was found, in dB of the whole energy and dBFS; None where it is not the reason.
    """

    freq_hz: float
    linear_phase: bool
    removed_db: float
    peak_change_db: float
    subsonic_db: float | None
    offset_dbfs: float | None

    @property
    def settings(self) -> dict[str, float | str]:
        """Settings of a band, without the band's number."""
        return {"type": HIGH_PASS, "channel": "stereo", "freq_hz": self.freq_hz, "q": _Q, "gain_db": 0.0}


def find_low_cut(samples: Samples, rate_hz: int, before: Measurement) -> LowCut | None:
    """Decide whether a mix, shape (frames, channels), needs a high-pass, and which; None when it does not."""
    offsets = [dc for dc in (before.dc_left_dbfs, before.dc_right_dbfs) if dc is not None]
    offset = max(offsets, default=-200.0)
    subsonic = -200.0 if before.subsonic_db is None else before.subsonic_db
    corners = _CORNERS_HZ if subsonic > _SUBSONIC_DB else (_OFFSET_CORNER_HZ,)
    if subsonic <= _SUBSONIC_DB and offset <= _OFFSET_DBFS:
        return None
    peak, whole = _peak_and_energy(samples)
    tried: list[tuple[float, float, float]] = []
    for corner in corners:
        section = butterworth_high_pass(corner, rate_hz)
        high_pass = SectionFilter([Step(mid_side=False, first=(section,), second=(section,))], samples.shape[1])
        highest, left = _peak_and_energy(samples, high_pass)
        removed_db = min(0.0, power_to_db(max(0.0, whole - left) / whole))
        tried.append((round(linear_to_db(highest / peak), 1), corner, removed_db))
    # The lowest peak; of peaks that are the same to 0.1 dB the lowest corner.
    change_db, corner, removed_db = min(tried)
    return LowCut(
        freq_hz=corner,
        linear_phase=change_db > _MOST_RISE_DB,
        removed_db=removed_db,
        peak_change_db=change_db,
        subsonic_db=subsonic if subsonic > _SUBSONIC_DB else None,
        offset_dbfs=offset if offset > _OFFSET_DBFS else None,
    )


def _peak_and_energy(samples: Samples, high_pass: SectionFilter | None = None) -> tuple[float, float]:
    """Largest magnitude and sum of squares of a sound, behind a filter where one is given; in blocks for the cache."""
    peak = energy = 0.0
    for block in in_blocks(samples, _BLOCK_FRAMES):
        block = block if high_pass is None else high_pass.push(block)
        peak = max(peak, float(np.abs(block).max()))
        flat = block.astype(np.float64).reshape(-1)
        energy += float(flat @ flat)
    return peak, energy
