"""The delay of a master against its mix, through everything that is done to a mix."""

import importlib

import numpy as np
import pytest
import scipy.ndimage
import scipy.signal

from autochain.audio.signals import noise, pink_noise, struck
from autochain.demo import make_demo
from autochain.errors import AutochainError
from autochain.measure.align import align

RATE_HZ = 44100
CLOSE = 0.02  # samples; asked of this measure


def test_a_long_song_is_correlated_by_stretches_and_lies_where_it_lies(song, monkeypatch):
    own = importlib.import_module("autochain.measure.align")
    for delay in (-40000, 1234, 60000):
        late = np.pad(song, ((max(0, delay), 0), (0, 0)))[max(0, -delay) :, ::-1]
        whole = align(song, late, RATE_HZ)
        for stretch_s in (1.0, 2.5):
            monkeypatch.setattr(own, "_STRETCH_S", stretch_s)
            assert align(song, late, RATE_HZ) == whole
        monkeypatch.undo()
        assert whole.swapped
        assert whole.delay_samples == pytest.approx(delay, abs=CLOSE)


@pytest.fixture(scope="module")
def song():
    return np.ascontiguousarray(make_demo("dense_rock", RATE_HZ, 10.0, 1)[2 * RATE_HZ : 8 * RATE_HZ], dtype=np.float32)


def sinc_shift(samples, delay):
    """Closed form: a delay turns the phase of every frequency by -2 pi f delay; silence on both sides."""
    pad = 8192 + int(abs(delay))
    wide = np.pad(samples.astype(np.float64), ((pad, pad), (0, 0)))
    turn = np.exp(-2j * np.pi * np.fft.rfftfreq(len(wide)) * delay)[:, np.newaxis]
    return np.fft.irfft(np.fft.rfft(wide, axis=0) * turn, len(wide), axis=0)[pad:-pad].astype(np.float32)


def biquad(samples, kind, frequency_hz, q, gain_db=0.0):
    """Bell or all-pass; R. Bristow-Johnson, Cookbook formulae for audio EQ biquad filter coefficients."""
    A, w = 10.0 ** (gain_db / 40.0), 2.0 * np.pi * frequency_hz / RATE_HZ
    alpha, c = np.sin(w) / (2.0 * q), -2.0 * np.cos(w)
    b = (1.0 + alpha * A, c, 1.0 - alpha * A) if kind == "bell" else (1.0 - alpha, c, 1.0 + alpha)
    a = (1.0 + alpha / A, c, 1.0 - alpha / A) if kind == "bell" else (1.0 + alpha, c, 1.0 - alpha)
    return scipy.signal.lfilter(b, a, samples, axis=0)


def rotated(samples, angle_deg):
    return np.real(scipy.signal.hilbert(samples, axis=0) * np.exp(1j * np.deg2rad(angle_deg)))


def limited(samples):
    """Gain that falls to what the next and last 100 samples need, smoothed at 30 Hz, and a clip behind it."""
    ceiling = 0.9 * np.abs(samples).max()
    wanted = np.minimum(1.0, ceiling / np.maximum(4.0 * np.abs(samples).max(axis=1), 1e-9))
    held = scipy.ndimage.minimum_filter1d(wanted, 200)
    gain = 1.0 + scipy.signal.sosfilt(scipy.signal.butter(1, 30.0, fs=RATE_HZ, output="sos"), held - 1.0)
    return np.clip(4.0 * samples * gain[:, np.newaxis], -ceiling, ceiling)


CHANGES = {
    "nothing": lambda x: x,
    "gain": lambda x: 0.3 * x,
    "bell 3 dB at 3 kHz": lambda x: biquad(x, "bell", 3000.0, 1.0, 3.0),
    "bells at 100 Hz and 8 kHz": lambda x: biquad(biquad(x, "bell", 100.0, 0.7, 3.0), "bell", 8000.0, 1.5, -3.0),
    "high-pass": lambda x: scipy.signal.sosfilt(
        scipy.signal.butter(2, 30.0, "high", fs=RATE_HZ, output="sos"), x, axis=0
    ),
    "all-pass": lambda x: biquad(x, "all-pass", 200.0, 0.7),
    "three all-passes": lambda x: biquad(
        biquad(biquad(x, "all-pass", 100.0, 0.7), "all-pass", 200.0, 1.0), "all-pass", 400.0, 0.7
    ),
    "clip": lambda x: np.clip(x, -0.5 * np.abs(x).max(), 0.5 * np.abs(x).max()),
    "limiter": limited,
}


@pytest.mark.parametrize(("change", "delay"), list(zip(CHANGES, [0.25, 8820.6] * 5, strict=False)))
def test_delay_is_found_to_a_fiftieth_of_a_sample(song, change, delay):
    found = align(song, sinc_shift(CHANGES[change](song.astype(np.float64)), delay), RATE_HZ)
    assert found.delay_samples == pytest.approx(delay, abs=CLOSE)
    assert (found.polarity, found.swapped) == (1, False)
    assert found.confidence > 0.8


@pytest.mark.parametrize("delay", [0.0, 0.5, 13.37, -4410.3])
def test_any_fraction_is_found_on_noise_too(delay):
    samples = struck(pink_noise(4.0, RATE_HZ, seed=3), RATE_HZ)
    found = align(samples, sinc_shift(samples, delay), RATE_HZ)
    assert found.delay_samples == pytest.approx(delay, abs=1e-3)


@pytest.mark.parametrize(("angle_deg", "polarity", "rest"), [(45.0, 1, 45.0), (-120.0, -1, 60.0), (180.0, -1, 0.0)])
def test_rotation_and_polarity_are_told_apart_and_keep_the_delay(song, angle_deg, polarity, rest):
    # closed form: a rotation adds its angle to every frequency's phase (scipy.signal.hilbert), 180 is -x
    found = align(song, sinc_shift(rotated(song, angle_deg), 13.37), RATE_HZ)
    assert found.delay_samples == pytest.approx(13.37, abs=CLOSE)
    assert found.polarity == polarity
    assert found.rotation_deg == pytest.approx(rest, abs=1.0)


def test_rotation_by_90_degrees_keeps_the_delay(song):
    found = align(song, sinc_shift(rotated(song, 90.0), 0.5), RATE_HZ)
    assert found.delay_samples == pytest.approx(0.5, abs=CLOSE)
    assert abs(found.rotation_deg) == pytest.approx(90.0, abs=1.0)


def test_swapped_channels_and_one_turned_over_are_named(song):
    swapped = align(song, np.ascontiguousarray(song[:, ::-1]), RATE_HZ)
    assert (swapped.swapped, swapped.polarity) == (True, 1)
    turned = align(song, song * np.float32([1.0, -1.0]), RATE_HZ)
    assert not turned.swapped
    assert turned.channel_polarity == (1, -1)
    assert turned.delay_samples == pytest.approx(0.0, abs=1e-3)


def test_each_channel_has_its_own_delay(song):
    late = np.hstack([song[:, :1], sinc_shift(song[:, 1:], 1.0)])
    found = align(song, late, RATE_HZ)
    assert found.channel_delay_samples == pytest.approx((0.0, 1.0), abs=CLOSE)


def test_silence_in_front_and_another_length_do_not_matter(song):
    front = np.zeros((round(0.2 * RATE_HZ), 2), dtype=np.float32)  # 200 ms
    found = align(song, np.concatenate([front, song[: 7 * RATE_HZ]]), RATE_HZ)
    assert found.delay_samples == pytest.approx(8820.0, abs=1e-3)
    back = align(np.concatenate([front, song[: 7 * RATE_HZ]]), song, RATE_HZ)
    assert back.delay_samples == pytest.approx(-8820.0, abs=1e-3)


@pytest.mark.parametrize("make", [noise, pink_noise])
def test_unrelated_noise_has_no_confidence(make):
    found = align(make(5.0, RATE_HZ, seed=1), make(5.0, RATE_HZ, seed=2), RATE_HZ)
    assert found.confidence < 0.1


def test_a_silent_channel_is_left_out(song):
    one = song * np.float32([1.0, 0.0])
    found = align(one, sinc_shift(one, 0.5), RATE_HZ)
    assert found.delay_samples == pytest.approx(0.5, abs=1e-3)
    assert found.channel_delay_samples[1] is None
    assert found.channel_polarity == (1, None)


def test_silence_short_sounds_and_unequal_channels_are_refused(song):
    with pytest.raises(AutochainError, match="the master is silent"):
        align(song, np.zeros_like(song), RATE_HZ)
    with pytest.raises(AutochainError, match=r"the mix lasts 0.50 s; aligning needs 1 s"):
        align(song[: RATE_HZ // 2], song, RATE_HZ)
    with pytest.raises(AutochainError, match="the mix has 1 channels, the master 2"):
        align(song[:, :1], song, RATE_HZ)
