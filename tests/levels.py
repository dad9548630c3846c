"""Levels read without the package: by a library from outside, or by a definition written out."""

import numpy as np
import pyloudnorm


def at_loudness(samples, lufs, rate_hz):
    """The samples with the gain that gives them this integrated loudness (BS.1770, by pyloudnorm)."""
    return samples * 10.0 ** ((lufs - pyloudnorm.Meter(rate_hz).integrated_loudness(samples)) / 20.0)


def linked_reduction_db(samples, rate_hz, threshold_linear, loud):
    """What a peak stage on both channels has to take, in the mean of the 50 ms windows of which most hops are loud.

    The definition in `prepare/symmetry.py`, written out: max over both polarities of 20 log10(peak / threshold), at
    least 0.
    """
    length = rate_hz // 20
    count = min(len(samples) // length, len(loud) // 5)
    windows = np.asarray(samples[: count * length], dtype=np.float64).reshape(count, -1)
    peaks = np.abs(windows).max(axis=1)[np.reshape(loud[: 5 * count], (count, 5)).sum(axis=1) >= 3]
    return float(np.mean(np.maximum(0.0, 20.0 * np.log10(np.maximum(peaks, 1e-30) / threshold_linear))))
