"""DC offset: the mean of a channel, which no loudspeaker plays and every peak stage pays for."""

from autochain.measure.hop_sums import HopSums
from autochain.units import linear_to_db


def dc_offsets(sums: HopSums) -> tuple[float, ...]:
    """Mean of each channel, signed, full scale 1.0; 0 where there are no frames."""
    return tuple(float(t) / sums.frames if sums.frames else 0.0 for t in sums.total.sum(axis=0))


def dc_offsets_dbfs(sums: HopSums) -> tuple[float | None, ...]:
    """Level of each channel's mean, |mean| = 1 being 0 dBFS, not below -200; None where it is exactly 0."""
    return tuple(linear_to_db(abs(mean)) if mean != 0.0 else None for mean in dc_offsets(sums))
