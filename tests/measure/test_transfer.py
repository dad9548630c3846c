"""The transfer matrix against the filters that were used."""

import numpy as np
import pytest
import scipy.signal

from autochain.audio.signals import noise, pink_noise
from autochain.measure.transfer import estimate_transfer

RATE_HZ = 44100
PRESENCE = scipy.signal.butter(1, [1500.0, 4500.0], "band", fs=RATE_HZ)  # b + 0.4 of it: a bell of +2.9 dB


def bell(samples):
    return samples + 0.4 * scipy.signal.lfilter(*PRESENCE, samples, axis=0)


@pytest.fixture(scope="module")
def sound():
    return pink_noise(12.0, RATE_HZ, seed=4)


def test_magnitude_is_that_of_the_filter(sound):
    f = np.array([40.0, 100.0, 400.0, 1500.0, 2600.0, 4500.0, 9000.0, 16000.0])
    # scipy.signal.freqz of the filter that was used
    response = 1.0 + 0.4 * scipy.signal.freqz(*PRESENCE, f, fs=RATE_HZ)[1]
    found = estimate_transfer(sound, bell(sound), RATE_HZ).magnitude_db(f)
    expected = 20.0 * np.log10(np.abs(response))
    np.testing.assert_allclose(found, np.stack([expected, expected], axis=1), atol=0.02)


def test_mid_side_equaliser_is_one_matrix(sound):
    mid, side = sound.sum(axis=1) / 2.0, (sound[:, 0] - sound[:, 1]) / 2.0
    wide = bell(side)
    output = np.stack([mid + wide, mid - wide], axis=1)
    transfer = estimate_transfer(sound, output, RATE_HZ)
    rest = output - transfer.apply(sound)
    # every output needs both inputs: what is left lies 50 dB under the change itself, which lies 14 dB under the mix
    assert np.mean(rest**2) < 1e-5 * np.mean((output - sound) ** 2)
    assert np.abs(transfer.taps[:, 0, 1]).max() > 0.01


def test_noise_added_to_the_output_is_not_taken_for_a_filter(sound):
    added = noise(12.0, RATE_HZ, -40.0, seed=8)
    transfer = estimate_transfer(sound, sound + added, RATE_HZ)
    explained = transfer.apply(sound) - sound
    # closed form: least squares fits the share (free values / samples) of the noise; the response is 1 tap long
    assert np.mean(explained**2) < 0.02 * np.mean(added**2)


def test_equal_channels_and_a_silent_one_leave_no_nonsense(sound):
    # float32 spectra and nothing to learn from under 25 Hz, where this noise ends: -70 dB
    close = 3e-4 * np.abs(sound).max()
    mono = np.repeat(sound[:, :1], 2, axis=1)
    out = estimate_transfer(mono, 2.0 * mono, RATE_HZ).apply(mono)
    np.testing.assert_allclose(out, 2.0 * mono, atol=close)
    one = sound * [1.0, 0.0]
    out = estimate_transfer(one, 2.0 * one, RATE_HZ).apply(one)
    np.testing.assert_allclose(out, 2.0 * one, atol=close)


def test_dtype_and_input_are_kept(sound):
    single = sound[: 2 * RATE_HZ].astype(np.float32)
    kept = single.copy()
    out = estimate_transfer(single, single, RATE_HZ).apply(single)
    assert (out.dtype, out.shape) == (np.float32, single.shape)
    np.testing.assert_array_equal(single, kept)
