"""Noise floor: what is left where a mix is quietest."""

import numpy as np

from autochain.measure.hop_sums import HopSums
from autochain.measure.loudness import MOMENTARY_HOPS
from autochain.units import power_to_db

# The rounding of 24-bit words has -149.3 dBFS rms (a step of 2^-23 over the square root of 12): a hop below
# this holds no sound, only zeros or an offset.
_DIGITAL_SILENCE_DBFS = -150.0
_PART_HOPS, _PARTS = 10, 4
_STEADY_DB = 1.5


def noise_floor_dbfs(sums: HopSums) -> float | None:
    """Level of the quietest 400 ms, an upper bound of the noise in the mix.

    The lowest rms over windows of 40 hops, one every 10 ms: unweighted, DC of the window removed, the mean
    square averaged over channels, so that a full-scale sine reads -3.01 dBFS. A window counts when none of its
    hops is digital silence (under -150 dBFS). A mix that never pauses reads its quietest passage, and one that
    fades into digital silence the end of the fade.

    Returns
    -------
    None when no window counts: silence, or less than 400 ms.
    """
    hops = sums.whole_hops
    if hops < MOMENTARY_HOPS:
        return None
    total, square = sums.total[:hops], sums.square[:hops]
    spread = (square / sums.hop - (total / sums.hop) ** 2).mean(axis=1)
    sounding = spread > 10.0 ** (_DIGITAL_SILENCE_DBFS / 10.0)
    ones = np.ones(MOMENTARY_HOPS)
    # Convolution and not differences of a running sum: those leave the rounding of the loud parts behind.
    frames = MOMENTARY_HOPS * sums.hop
    power = np.zeros(hops - MOMENTARY_HOPS + 1)
    for channel in range(sums.channels):
        mean = np.convolve(total[:, channel], ones, mode="valid") / frames
        power += np.convolve(square[:, channel], ones, mode="valid") / frames - mean**2
    counted = np.convolve(sounding, ones, mode="valid") > MOMENTARY_HOPS - 0.5
    if not counted.any():
        return None
    return power_to_db(max(0.0, float(power[counted].min())) / sums.channels)


def steady_floor_dbfs(sums: HopSums) -> float | None:
    """Level of the quietest 400 ms whose four parts of 100 ms differ by no more than 1.5 dB: noise in a pause.

    Unweighted, the offset of each 10 ms removed, the mean square averaged over channels, windows 100 ms apart. A
    fade and the end of a note pass through too fast to count.

    Returns
    -------
    None when no window counts, digital silence (under -150 dBFS) left out.
    """
    parts = sums.whole_hops // _PART_HOPS
    hops = parts * _PART_HOPS
    spread = (sums.square[:hops] / sums.hop - (sums.total[:hops] / sums.hop) ** 2).mean(axis=1)
    power = np.maximum(spread.reshape(parts, _PART_HOPS).mean(axis=1), 0.0)
    if parts < _PARTS:
        return None
    windows = np.lib.stride_tricks.sliding_window_view(power, _PARTS)
    steady = windows.max(axis=1) <= 10.0 ** (_STEADY_DB / 10.0) * windows.min(axis=1)
    sounding = windows.min(axis=1) > 10.0 ** (_DIGITAL_SILENCE_DBFS / 10.0)
    counted = windows[steady & sounding]
    return power_to_db(float(counted.mean(axis=1).min())) if counted.size else None
