"""Pulses put into autoregressive sounds are taken out again; starts of sounds are not."""

import numpy as np
import pytest
from scipy.signal import lfilter

from autochain.measure.pulse import REACH_S, find_pulse

RATE_HZ = 44100
SIZE = 2 * round(REACH_S * RATE_HZ)
MIDDLE = SIZE // 2


def resonant(seed: int, size: int = SIZE) -> np.ndarray:
    """A Gaussian sound of order 4 with poles at 700 Hz and 3 kHz, rms about 0.1."""
    poles = [radius * np.exp(2j * np.pi * hz / RATE_HZ) for radius, hz in ((0.995, 700.0), (0.97, 3000.0))]
    a = np.real(np.poly([*poles, *np.conj(poles)]))
    sound = lfilter([1.0], a, np.random.default_rng(seed).standard_normal(size + 5000))[5000:]
    return 0.1 * sound / np.sqrt(np.mean(sound**2))


@pytest.mark.parametrize("shape", [[0.05], [0.05, -0.02], [0.02, 0.05, 0.02], [-0.02, 0.05, 0.05, -0.01]])
@pytest.mark.parametrize("off", [-3, 0, 2])
def test_a_pulse_is_taken_out(shape: list[float], off: int) -> None:
    clean = resonant(1)
    sound = clean.copy()
    sound[MIDDLE + off : MIDDLE + off + len(shape)] += shape
    pulse = find_pulse(sound, RATE_HZ)
    assert pulse is not None
    # Least squares is off by what the sound itself surprises with: here 0.001, 40 dB under its rms.
    assert pulse.without == pytest.approx(clean, abs=0.004)
    assert pulse.height == pytest.approx(0.05, abs=0.004)
    assert off - 3 <= pulse.start <= off + len(shape)
    assert pulse.stands_out > 6.0
    # closed form: what changes most here are the slopes of the sound itself, over 353 samples on either side.
    slopes = np.diff(clean)
    after, before = slopes[MIDDLE + 3 : MIDDLE + 353], slopes[MIDDLE - 353 : MIDDLE - 3]
    assert pulse.changes_db == pytest.approx(10.0 * np.log10(np.mean(after**2) / np.mean(before**2)), abs=0.3)


def test_a_sound_without_one_has_none_that_stands_out() -> None:
    out = [pulse.stands_out for seed in range(40) if (pulse := find_pulse(resonant(seed), RATE_HZ)) is not None]
    assert len(out) == 40
    assert max(out) < 2.0


def test_a_sound_that_starts_changes() -> None:
    sound = 0.02 * resonant(2)
    sound[MIDDLE:] += np.random.default_rng(3).standard_normal(SIZE - MIDDLE) * 0.02
    pulse = find_pulse(sound, RATE_HZ)
    assert pulse is not None
    # closed form: noise of 0.02 against errors of a fiftieth of 0.001
    assert pulse.changes_db > 40.0
    assert pulse.stands_out < 2.0


def test_silence_has_none() -> None:
    assert find_pulse(np.zeros(SIZE), RATE_HZ) is None
    half = resonant(1)
    half[MIDDLE:] = 0.0
    assert find_pulse(half, RATE_HZ) is None
