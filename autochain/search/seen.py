"""A mix as it is looked at before any search: nothing here depends on what is asked."""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

from autochain.audio.mix import Mix
from autochain.measure.fingerprint import band_powers, fingerprint_of, fingerprint_text
from autochain.measure.inspection import Inspection, inspect
from autochain.prepare.resonances import Resonance, find_resonances
from autochain.solve.inaudible import inaudible


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SeenMix:
    """What was measured and found.

    Attributes
    ----------
    sha256
        Of the mix's file.
    inspection
        All meters, and what was looked for.
    lufs, peak_dbtp
        Loudness and true peak, which every mix has that is let through.
    resonances
        What stands out of the spectrum.
    fingerprint
        Text of `measure.fingerprint`, by band.
    """

    sha256: str
    inspection: Inspection
    lufs: float
    peak_dbtp: float
    resonances: tuple[Resonance, ...]
    fingerprint: dict[str, str]

    @classmethod
    def of(cls, mix: Mix) -> "SeenMix":
        """Look at a mix; AudioFileError where it has no loudness."""
        seen = inspect(mix.samples, mix.rate_hz)
        figures = seen.measured.figures
        if figures.integrated_lufs is None or figures.true_peak_dbtp is None:
            raise inaudible(mix)
        with ThreadPoolExecutor(1) as pool:  # neither needs the other
            powers = pool.submit(band_powers, mix.samples, mix.rate_hz)
            resonances = find_resonances(seen.resonance)
        return cls(
            sha256=mix.sha256,
            inspection=seen,
            lufs=figures.integrated_lufs,
            peak_dbtp=figures.true_peak_dbtp,
            resonances=resonances,
            fingerprint=fingerprint_text(fingerprint_of(powers.result())),
        )
