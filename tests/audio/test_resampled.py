"""Another sample rate, against closed forms."""

import numpy as np

from autochain.audio.resample import resampled


def test_a_tone_is_the_same_tone_at_the_other_rate_without_delay() -> None:
    """A sine below both halves is known at every point of time: the closed form is the check."""
    for freq_hz, most in ((100.0, 1e-7), (10_000.0, 1e-7), (20_000.0, 1e-3)):  # 1e-3 is 0.01 dB
        at = [np.sin(2.0 * np.pi * freq_hz * np.arange(rate) / rate)[:, None] for rate in (44100, 48000)]
        error = resampled(at[0], 44100, 48000) - at[1]
        assert np.abs(error[2000:-2000]).max() < most  # the ends ring


def test_the_same_rate_is_the_same_array() -> None:
    sound = np.zeros((10, 2), np.float32)
    assert resampled(sound, 48000, 48000) is sound
