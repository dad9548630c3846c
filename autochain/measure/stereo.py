"""What left and right have to do with each other: correlation, side against mid, left against right."""

import math

from autochain.measure.hop_sums import HopSums
from autochain.units import power_to_db

SILENCE_POWER = 1e-12  # -120 dBFS mean square: below it a channel says nothing of the image


def correlation_of(sums: HopSums) -> float | None:
    """Correlation of the two channels over the whole signal: sum(L R) / sqrt(sum(L^2) sum(R^2)).

    Returns
    -------
    -1 (opposite) to +1 (the same); None for mono and when a channel is silent.
    """
    if sums.channels != 2:
        return None
    left, right = (float(q) for q in sums.square.sum(axis=0))
    return correlation_ratio(left, right, float(sums.product.sum()), sums.frames)


def correlation_ratio(left: float, right: float, product: float, frames: int) -> float | None:
    """Correlation from the sums of L^2, R^2 and L R over that many frames; None when a channel is silent."""
    if min(left, right) <= SILENCE_POWER * frames:
        return None
    return min(1.0, max(-1.0, product / math.sqrt(left * right)))


def side_to_mid_db(sums: HopSums) -> float | None:
    """Level of the side L - R against the mid L + R, in dB.

    Returns
    -------
    0 for independent channels of any levels, negative when the middle prevails; None for mono, and when the
    mid or the side is silent.
    """
    if sums.channels != 2:
        return None
    both, product = float(sums.square.sum()), float(sums.product.sum())
    mid, side = (both + 2.0 * product) / 4.0, (both - 2.0 * product) / 4.0
    if min(mid, side) <= SILENCE_POWER * sums.frames:
        return None
    return power_to_db(side / mid)


def channel_imbalance_db(sums: HopSums) -> float | None:
    """How much louder left is than right (rms), in dB.

    Returns
    -------
    Negative when right is louder; None for mono and when a channel is silent.
    """
    if sums.channels != 2:
        return None
    left, right = (float(q) for q in sums.square.sum(axis=0))
    if min(left, right) <= SILENCE_POWER * sums.frames:
        return None
    return power_to_db(left / right)
