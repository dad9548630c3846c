"""What loudness normalisation at published levels does to a master: gain and peak."""

from dataclasses import dataclass

# Loudness in LUFS, and the peak in dBTP that a gain may reach. EBU R 128 version 5.0 (November 2023): -23 LUFS, at most
# -1 dBTP. AES77-2023, which succeeded AES TD1008: music -16 LUFS track by track, -14 LUFS for the loudest track of an
# album, peaks at most -1 dBTP. Figures as reports of both give them; their texts were not at hand.
PRACTICES = (
    ("Broadcast (EBU R 128 v5.0, 2023)", -23.0, -1.0),
    ("Streaming, track by track (AES77-2023)", -16.0, -1.0),
    ("Streaming, loudest track of an album (AES77-2023)", -14.0, -1.0),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Normalised:
    """A master after normalisation.

    Attributes
    ----------
    practice, level_lufs
        Who normalises, and to what.
    gain_db
        What brings it there; less than that is applied where the peak stands in the way.
    true_peak_dbtp
        Afterwards, with the whole gain.
    short_lu
        By how much it stays under the level because a peak would pass the practice's own ceiling, 0 or more.
    """

    practice: str
    level_lufs: float
    gain_db: float
    true_peak_dbtp: float
    short_lu: float


def normalise(lufs: float, true_peak_dbtp: float) -> tuple[Normalised, ...]:
    """Gain and peak at every published level, for a master of this loudness and true peak."""
    found = []
    for practice, level, ceiling in PRACTICES:
        gain = level - lufs
        after = true_peak_dbtp + gain
        short = max(0.0, min(gain, after - ceiling))
        found.append(
            Normalised(practice=practice, level_lufs=level, gain_db=gain, true_peak_dbtp=after, short_lu=short)
        )
    return tuple(found)
