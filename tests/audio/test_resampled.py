"""Another sample rate, against closed forms."""

import numpy as np
import pytest
import soxr

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


@pytest.mark.parametrize(("from_hz", "to_hz"), [(44100, 48000), (96000, 44100), (44100, 192000)])
@pytest.mark.parametrize("frames", [0, 1, 1000, 65536, 200_001])
@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_in_blocks_it_is_what_soxr_gives_of_the_whole(from_hz: int, to_hz: int, frames: int, dtype: type) -> None:
    sound = np.random.default_rng(1).standard_normal((frames, 2)).astype(dtype)
    whole = soxr.resample(sound, from_hz, to_hz, quality="VHQ")
    made = resampled(sound, from_hz, to_hz)
    assert made.dtype == dtype
    np.testing.assert_array_equal(made, whole)
