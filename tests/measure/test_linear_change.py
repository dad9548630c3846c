"""Linear changes cost nothing, and hide nothing that was clipped."""

import numpy as np
import pyloudnorm
import pytest
import scipy.signal

from autochain.audio.signals import noise
from autochain.demo import make_demo
from autochain.errors import AutochainError
from autochain.measure.align import in_step
from autochain.measure.distortion import DistortionReference
from autochain.measure.linear_change import align_same_material, fit_linear_change

RATE_HZ = 44100


def linear_change(mix, master):
    """Where the master lies, and what it differs by; one channel counts as two equal ones."""
    mix, master = (np.repeat(x, 2, axis=1) if x.shape[1] == 1 else x for x in (mix, master))
    place = align_same_material(mix, master, RATE_HZ)
    master = master[:, ::-1] if place.swapped else master
    return place, fit_linear_change(*in_step(mix, master, round(place.delay_samples)), RATE_HZ)


def biquad(samples, kind, frequency_hz, q, gain_db=0.0):
    """Bell or all-pass; R. Bristow-Johnson, Cookbook formulae for audio EQ biquad filter coefficients."""
    A, w = 10.0 ** (gain_db / 40.0), 2.0 * np.pi * frequency_hz / RATE_HZ
    alpha, c = np.sin(w) / (2.0 * q), -2.0 * np.cos(w)
    b = (1.0 + alpha * A, c, 1.0 - alpha * A) if kind == "bell" else (1.0 - alpha, c, 1.0 + alpha)
    a = (1.0 + alpha / A, c, 1.0 - alpha / A) if kind == "bell" else (1.0 + alpha, c, 1.0 - alpha)
    return scipy.signal.lfilter(b, a, samples, axis=0)


def mid_side(samples):
    mid, side = samples.sum(axis=1) / 2.0, (samples[:, 0] - samples[:, 1]) / 2.0
    mid, side = biquad(mid, "bell", 200.0, 0.7, -2.0), biquad(side, "bell", 4000.0, 0.7, 3.0)
    return np.stack([mid + side, mid - side], axis=1)


def later(samples, delay=8820.6):
    """Closed form: a delay turns the phase of every frequency by -2 pi f delay."""
    wide = np.pad(samples, ((8192, 20000), (0, 0)))
    turn = np.exp(-2j * np.pi * np.fft.rfftfreq(len(wide)) * delay)[:, np.newaxis]
    return np.fft.irfft(np.fft.rfft(wide, axis=0) * turn, len(wide), axis=0)[8192:].astype(np.float32)


LINEAR = {
    "delay": lambda x: x,
    "gain, polarity and channels": lambda x: -0.4 * x[:, ::-1],
    "bells": lambda x: biquad(biquad(x, "bell", 100.0, 0.7, 3.0), "bell", 3000.0, 1.0, -3.0),
    "mid/side bells": mid_side,
    "two all-passes": lambda x: biquad(biquad(x, "all-pass", 200.0, 0.7), "all-pass", 200.0, 0.7),
    "rotation": lambda x: np.real(scipy.signal.hilbert(x, axis=0) * np.exp(0.25j * np.pi)),
}


@pytest.fixture(scope="module")
def song():
    return np.ascontiguousarray(make_demo("dense_rock", RATE_HZ, 10.0, 1), dtype=np.float32)


@pytest.fixture(scope="module")
def longer_song():
    """Which a clip ahead of a linear change takes: what is fitted to is clipped itself."""
    return np.ascontiguousarray(make_demo("dense_rock", RATE_HZ, 20.0, 1), dtype=np.float32)


@pytest.fixture(scope="module")
def sparse():
    """Few partials with next to nothing between and above them."""
    return np.ascontiguousarray(make_demo("vocal_with_piano", RATE_HZ, 10.0, 1), dtype=np.float32)


def clipped(samples):
    level = 0.6 * np.abs(samples).max()
    return np.clip(samples, -level, level)


def direct_nmr_db(reference, output):
    """Reading with nothing in between to be removed."""
    loudness = pyloudnorm.Meter(RATE_HZ, filter_class="DeMan").integrated_loudness(reference.astype(np.float64))
    return (
        DistortionReference(reference.astype(np.float32), RATE_HZ, loudness).compare(output.astype(np.float32)).nmr_db
    )


@pytest.mark.parametrize("change", LINEAR)
def test_a_linear_change_is_no_distortion(song, change):
    place, found = linear_change(song, later(LINEAR[change](song.astype(np.float64))))
    # limit set by this project: 20 dB under what begins to cost anything
    assert found.distortion.nmr_db <= -40.0
    assert place.delay_samples == pytest.approx(8820.6, abs=0.02)


@pytest.mark.parametrize("change", ["delay", "bells"])
def test_a_linear_change_of_sparse_music_is_no_distortion(sparse, change):
    _, found = linear_change(sparse, later(LINEAR[change](sparse.astype(np.float64))))
    # limit set by this project, as above
    assert found.distortion.nmr_db <= -40.0


@pytest.mark.parametrize("change", ["gain, polarity and channels", "mid/side bells", "rotation"])
def test_a_clip_behind_a_linear_change_reads_as_without_the_change(song, change):
    changed = LINEAR[change](song.astype(np.float64))
    after = linear_change(song, later(clipped(changed)))[1].distortion.nmr_db
    assert after == pytest.approx(direct_nmr_db(changed, clipped(changed)), abs=1.0)


@pytest.mark.parametrize("change", ["bells", "two all-passes"])
def test_a_linear_change_after_a_clip_hides_nothing_of_it(longer_song, change):
    master = later(LINEAR[change](clipped(longer_song.astype(np.float64))))
    found = linear_change(longer_song, master)[1].distortion.nmr_db
    assert found == pytest.approx(direct_nmr_db(longer_song, clipped(longer_song)), abs=1.0)


def test_gain_and_curve_are_those_of_the_equaliser(song):
    _, found = linear_change(song, (0.5 * biquad(song, "bell", 1000.0, 1.0, 3.0)).astype(np.float32))
    reading = pyloudnorm.Meter(RATE_HZ, filter_class="DeMan").integrated_loudness
    # pyloudnorm, the same difference of loudness
    expected = reading(0.5 * biquad(song.astype(np.float64), "bell", 1000.0, 1.0, 3.0)) - reading(
        song.astype(np.float64)
    )
    assert found.gain_db == pytest.approx(expected, abs=0.02)
    curve = np.interp([100.0, 1000.0], found.curve_hz, np.array(found.curve_db)[:, 0]) + found.gain_db
    # closed form: -6.02 dB of gain, 3 dB at the bell's frequency; 1/12 octave apart a bell of Q 1 moves by 0.03 dB
    assert curve == pytest.approx([-6.02, -3.02], abs=0.06)


def test_mono_master_of_a_stereo_mix_is_compared(song):
    mono = song.mean(axis=1, keepdims=True)
    assert linear_change(song, mono)[1].distortion.nmr_db <= -40.0  # limit set by this project, as above


def test_unrelated_sounds_are_different_material(song, sparse):
    with pytest.raises(AutochainError, match=r"mix and master are different material.*same version"):
        linear_change(noise(4.0, RATE_HZ, seed=1), noise(4.0, RATE_HZ, seed=2))
    with pytest.raises(AutochainError, match="different material"):
        linear_change(song, sparse)


def test_silence_short_and_quiet_sounds_are_refused(song):
    with pytest.raises(AutochainError, match="the mix is silent"):
        linear_change(np.zeros_like(song), song)
    with pytest.raises(AutochainError, match=r"the master lasts 0\.50 s"):
        linear_change(song, song[: RATE_HZ // 2])
    with pytest.raises(AutochainError, match="under -70 LUFS"):
        linear_change(song[: 3 * RATE_HZ], 1e-6 * song[: 3 * RATE_HZ])
