"""All figures of one piece of sound in one frozen value."""

from dataclasses import asdict, dataclass

import numpy as np

from autochain.audio.mix import Samples
from autochain.measure.asymmetry import asymmetry_db
from autochain.measure.crest import local_crest_db
from autochain.measure.image import correlation
from autochain.measure.loudness import (
    integrated_lufs,
    loud_hops,
    loudness_range_lu,
    momentary_lufs,
    short_term_lufs,
    weighted_hops,
)
from autochain.measure.peaks import plr_db, psr_db
from autochain.measure.true_peak import TruePeakReading, hop_peaks, read_true_peak


@dataclass(frozen=True, slots=True, kw_only=True)
class Measurement:
    """What is printed before and after; None where a figure does not exist (silence, mono).

    `true_peak_dbtp` is the highest of three readings, which stand beside it: the published Annex 2 filter of
    BS.1770, a 49-tap windowed sinc (the reading libebur128 gives), and a long filter at 16 times the rate.
    """

    integrated_lufs: float | None
    max_short_term_lufs: float | None
    max_momentary_lufs: float | None
    loudness_range_lu: float | None
    true_peak_dbtp: float | None
    true_peak_annex2_dbtp: float | None
    true_peak_sinc49_dbtp: float | None
    true_peak_x16_dbtp: float | None
    sample_peak_dbfs: float | None
    plr_db: float | None
    psr_min_db: float | None
    psr_median_db: float | None
    local_crest_db: float | None
    asymmetry_db: float | None
    correlation: float | None

    def as_dict(self) -> dict[str, float | None]:
        """Figures by name."""
        return asdict(self)


def measure(samples: Samples, rate_hz: int, true_peak: TruePeakReading | None = None) -> Measurement:
    """Measure everything.

    Parameters
    ----------
    samples
        Shape (frames, channels), at least 3 s.
    rate_hz
        44100 to 192000.
    true_peak
        A reading of the same samples, when the caller has one already.
    """
    hops = weighted_hops(samples, rate_hz)
    integrated = integrated_lufs(hops)
    reading = read_true_peak(samples, rate_hz) if true_peak is None else true_peak
    psr = psr_db(hop_peaks(samples, rate_hz), hops)
    short_term, momentary = short_term_lufs(hops), momentary_lufs(hops)
    heard = integrated is not None
    loud = loud_hops(hops, integrated) if integrated is not None else np.zeros(len(hops), dtype=bool)
    lean = asymmetry_db(samples, rate_hz, loud)
    return Measurement(
        integrated_lufs=integrated,
        max_short_term_lufs=float(short_term.max()) if heard and short_term.size else None,
        max_momentary_lufs=float(momentary.max()) if heard and momentary.size else None,
        loudness_range_lu=loudness_range_lu(hops),
        true_peak_dbtp=reading.highest_dbtp,
        true_peak_annex2_dbtp=reading.annex2_dbtp,
        true_peak_sinc49_dbtp=reading.sinc49_dbtp,
        true_peak_x16_dbtp=reading.x16_dbtp,
        sample_peak_dbfs=reading.sample_peak_dbfs,
        plr_db=plr_db(reading.highest_dbtp, integrated),
        psr_min_db=psr.min_db,
        psr_median_db=psr.median_db,
        local_crest_db=local_crest_db(samples, rate_hz),
        asymmetry_db=None if lean is None else lean.level_db,
        correlation=correlation(samples),
    )
