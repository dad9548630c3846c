"""Another rate: what both rates hold stays, what the lower one cannot hold goes."""

import numpy as np
import pytest

from autochain.audio.signals import sine
from autochain.compare.resample import resampled


@pytest.mark.parametrize(("from_hz", "to_hz"), [(96000, 44100), (48000, 44100), (192000, 48000)])
def test_tones_up_to_0_45_of_the_lower_rate_stay_in_place_and_size(from_hz, to_hz):
    for frequency_hz in (50.0, 997.0, 0.45 * to_hz):
        out = resampled(sine(frequency_hz, 0.5, from_hz), from_hz, to_hz)
        inside = slice(500, -500)
        # closed form: the same sine at the lower rate; the filter's ripple is 0.01 dB
        assert np.abs(out - sine(frequency_hz, len(out) / to_hz, to_hz))[inside].max() < 2e-3


@pytest.mark.parametrize("frequency_hz", [22500.0, 30000.0, 44000.0])
def test_what_the_lower_rate_cannot_hold_is_90_db_down(frequency_hz):
    out = resampled(sine(frequency_hz, 0.5, 96000), 96000, 44100)
    assert 20.0 * np.log10(np.abs(out[500:-500]).max()) < -90.0


def test_one_rate_is_no_change():
    samples = sine(997.0, 0.1, 44100)
    assert resampled(samples, 44100, 44100) is samples
