"""A high-pass only for what is there, with both effects."""

import numpy as np
import pytest

from autochain.audio.signals import pink_noise, sine
from autochain.chain.equaliser import NARROW
from autochain.demo import CHARACTERS, make_demo
from autochain.measure.measurement import measure
from autochain.prepare.corrective import bands
from autochain.prepare.low_cut import find_low_cut

RATE_HZ = 44100


def asked(samples):
    samples = samples.astype(np.float32)
    return find_low_cut(samples, RATE_HZ, measure(samples, RATE_HZ))


def music():
    return pink_noise(6.0, RATE_HZ, -22.0)


@pytest.mark.parametrize("character", CHARACTERS)
def test_a_clean_mix_needs_none(character):
    assert asked(make_demo(character, RATE_HZ, 12.0, 31)) is None


def test_subsonic_energy_is_removed_with_both_effects_told():
    found = asked(music() + sine(9.0, 6.0, RATE_HZ, -20.0))
    assert found.freq_hz in (20.0, 25.0, 30.0)
    assert found.subsonic_db == pytest.approx(-3.5, abs=0.3)  # closed form: -23.0 dB rms of sine beside -22.0 of noise
    # closed form: |H|^2 of the Butterworth high-pass at 9 Hz leaves 1 / (1 + (corner/9)^4) of the sine
    left = 1.0 / (1.0 + (found.freq_hz / 9.0) ** 4)
    sine_share = 10 ** (found.subsonic_db / 10)
    assert found.removed_db == pytest.approx(10 * np.log10(sine_share * (1 - left)), abs=0.6)
    assert found.peak_change_db < 0.0  # what it buys


def test_an_offset_alone_is_removed_far_below_the_music():
    found = asked(music() + 0.01)
    assert (found.freq_hz, found.subsonic_db) == (10.0, None)
    assert found.offset_dbfs == pytest.approx(-40.0, abs=0.1)  # closed form: 20 log10(0.01)
    settings = NARROW.checked(bands([found.settings]))
    y = NARROW.process((music() + 0.01).astype(np.float32), RATE_HZ, settings).samples
    assert np.abs(y[RATE_HZ:].mean(axis=0)).max() < 1e-4


def test_a_small_offset_is_left_alone():
    assert asked(music() - music().mean(axis=0) + 0.0005) is None


def test_a_peak_that_the_phase_shift_would_raise_asks_for_linear_phase():
    # A flat-topped wave at 40 Hz overshoots behind any minimum-phase high-pass near it.
    t = np.arange(6 * RATE_HZ) / RATE_HZ
    square = 0.4 * np.sign(np.sin(2 * np.pi * 40.0 * t))[:, None].repeat(2, axis=1)
    found = asked(square + sine(15.0, 6.0, RATE_HZ, -34.0))
    assert found is not None
    assert found.linear_phase == (found.peak_change_db > 0.3)
    assert found.linear_phase
