"""What left and right have to do with each other: correlation, side against mid, left against right."""

import math

import numpy as np

from autochain.measure.hop_sums import HopSums
from autochain.measure.spectrum import SILENCE_POWER, Spectrum
from autochain.units import power_to_db

_OCTAVES_HZ = (62.5, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0)
_SOUNDING_DB = 25.0


def correlation_of(sums: HopSums) -> float | None:
    """Correlation of the two channels over the whole signal: sum(L R) / sqrt(sum(L^2) sum(R^2)).

    Returns
    -------
    -1 (opposite) to +1 (the same); None for mono and when a channel is silent.
    """
    if sums.channels != 2:
        return None
    left, right = (float(q) for q in sums.square.sum(axis=0))
    frames = max(1, sums.frames)
    return _ratio(left / frames, right / frames, float(sums.product.sum()) / frames)


def correlation_under(spectrum: Spectrum, corner_hz: float = 120.0) -> float | None:
    """Correlation of the two channels below `corner_hz`, their means (DC) taken out.

    The bins are weighted with the squared response of a fourth-order Butterworth low-pass, 3 dB down at the
    corner (by the bilinear transform: 1 / (1 + (tan(pi f / rate) / tan(pi corner / rate))^8)), so the value is
    that of the filtered channels.

    Parameters
    ----------
    spectrum
        Of the whole signal.
    corner_hz
        Under half the sample rate.

    Returns
    -------
    As `correlation_of`.
    """
    if spectrum.channels != 2:
        return None
    k = np.arange(spectrum.mid.size - 1)  # the last bin is half the rate, where the response is zero
    angle = 0.5 * np.pi * k / (spectrum.mid.size - 1)
    gain = 1.0 / (1.0 + (np.tan(angle) / np.tan(np.pi * corner_hz / spectrum.rate_hz)) ** 8)
    mid, side, product = (float((gain * part[:-1]).sum()) for part in (spectrum.mid, spectrum.side, spectrum.product))
    # left = (mid + side) / sqrt(2), right = (mid - side) / sqrt(2)
    half = 0.5 * (mid + side)
    return _ratio(half + product, half - product, 0.5 * (mid - side))


def band_balances_db(spectrum: Spectrum) -> tuple[float, ...]:
    """How much louder left is than right in every octave band that sounds, in dB; empty for one channel.

    Octaves from 62.5 Hz to 8 kHz whose level is less than 25 dB under the whole; held within +-60 dB.
    """
    if spectrum.channels != 2:
        return ()
    freq_hz = np.arange(spectrum.mid.size) * (0.5 * spectrum.rate_hz / (spectrum.mid.size - 1))
    whole, balances = float((spectrum.mid + spectrum.side).sum()), []
    for low_hz in _OCTAVES_HZ:
        inside = (freq_hz >= low_hz) & (freq_hz < 2.0 * low_hz)
        half = 0.5 * float((spectrum.mid[inside] + spectrum.side[inside]).sum())
        product = float(spectrum.product[inside].sum())
        if half > 0.5 * 10.0 ** (-_SOUNDING_DB / 10.0) * whole:
            left, right = half + product, half - product
            balances.append(power_to_db(max(left, 1e-6 * half) / max(right, 1e-6 * half)))
    return tuple(balances)


def _ratio(left: float, right: float, product: float) -> float | None:
    """Correlation from the means of L^2, R^2 and L R; None when a channel is silent."""
    if min(left, right) <= SILENCE_POWER:
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
