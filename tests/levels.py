"""Sounds brought to a loudness, read by a library from outside the project."""

import pyloudnorm


def at_loudness(samples, lufs, rate_hz):
    """The samples with the gain that gives them this integrated loudness (BS.1770, by pyloudnorm)."""
    return samples * 10.0 ** ((lufs - pyloudnorm.Meter(rate_hz).integrated_loudness(samples)) / 20.0)
