"""What two judges say together of one master against another, by margins fixed beforehand.

Neither is a judge alone: one follows clipping, the other movement. So a master is better only when it is clearly
better by one and not worse by the other.
"""

from collections.abc import Mapping

CLEAR_DB, SAME_DB = 1.0, 0.5  # noise-to-mask
CLEAR_RATIO, SAME_RATIO = 1.10, 1.05  # distance
HARMLESS_NMR_DB = -30.0  # a hard clip 3 dB under the highest peak of rock; as when the weights were chosen
HARMLESS_DISTANCE = 5e-5  # a gain that swings by 0.4 dB at 4 Hz, about where movement is first heard (from memory)

OUTCOMES = ("better", "alike", "mixed", "worse on one", "worse on both")


def verdict(mine: Mapping[str, float], other: Mapping[str, float]) -> str:
    """One of OUTCOMES, from `nmr_db` and `distance` of both."""
    gain_db = max(other["nmr_db"], HARMLESS_NMR_DB) - max(mine["nmr_db"], HARMLESS_NMR_DB)
    ratio = max(other["distance"], HARMLESS_DISTANCE) / max(mine["distance"], HARMLESS_DISTANCE)
    clearly = gain_db >= CLEAR_DB or ratio >= CLEAR_RATIO
    worse = (gain_db < -SAME_DB) + (ratio < 1.0 / SAME_RATIO)
    if worse == 2:
        return "worse on both"
    if worse:
        return "mixed" if clearly else "worse on one"
    return "better" if clearly else "alike"
