import numpy as np
import pytest

from autochain.audio.signals import faded, noise, pink_noise, sine
from autochain.measure.spectrum import SpectrumMeter, measure_spectrum, subsonic_db
from autochain.measure.third_octaves import NOMINAL_HZ, centre_hz, edges_hz, third_octaves
from autochain.resources import read_table

RATE_HZ = 44100
TABLE = read_table("third_octaves.toml")
BANDS = range(-16, 14)


def levels(samples: np.ndarray, rate_hz: int = RATE_HZ) -> np.ndarray:
    found = [band.level_db for band in third_octaves(measure_spectrum(samples, rate_hz))]
    assert None not in found
    return np.array(found)


def shaped_impulse(power: np.ndarray, channels: int = 1) -> np.ndarray:
    """Zero-phase signal with the given power per bin, its peak in the middle."""
    size = 2 * (power.size - 1)
    return np.repeat(np.roll(np.fft.irfft(np.sqrt(power), size), size // 2)[:, None], channels, axis=1)


def test_bands_are_those_of_the_standard() -> None:
    # IEC 61260-1:2014, annex E.1 and equations 1 to 5, in shared/third_octaves.toml
    assert list(NOMINAL_HZ) == TABLE["nominal_hz"]
    assert [centre_hz(x) for x in BANDS] == pytest.approx(TABLE["centres_hz"], rel=3e-5)
    assert [edges_hz(x)[0] for x in BANDS] == pytest.approx(TABLE["edges_hz"][:-1], rel=3e-5)
    assert [edges_hz(x)[1] for x in BANDS] == pytest.approx(TABLE["edges_hz"][1:], rel=3e-5)
    found = third_octaves(measure_spectrum(noise(1.0, RATE_HZ), RATE_HZ))
    assert [band.nominal_hz for band in found] == TABLE["nominal_hz"]
    assert [band.centre_hz for band in found] == pytest.approx(TABLE["centres_hz"], rel=3e-5)


@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000])
@pytest.mark.parametrize("band", [0, 1, 16, 29])
def test_a_tone_at_a_centre_lands_in_its_band_with_its_rms(rate_hz: int, band: int) -> None:
    tone = sine(TABLE["centres_hz"][band], 8.0, rate_hz, -20.0)
    found = levels(tone, rate_hz)
    # closed form: both channels of a sine of -20 dBFS peak add up to -20 dB re a mean square of 1
    assert found[band] == pytest.approx(-20.0, abs=0.05)
    others = np.abs(np.arange(found.size) - band)
    # The lowest band is four bins wide, and a window's main lobe as well: the neighbour gets up to -25 dB.
    assert found[others == 1].max() < -40.0
    # Beyond it, what the ends of the tone itself add: an abrupt end has a spectrum that falls with 1/f.
    assert found[others > 1].max() < -55.0


def test_a_faded_tone_leaves_distant_bands_alone() -> None:
    found = levels(faded(sine(1000.0, 8.0, RATE_HZ, 0.0), 1.0, RATE_HZ))
    assert found[[k for k, f in enumerate(NOMINAL_HZ) if not 400.0 < f < 2500.0]].max() < -110.0


def test_white_rises_by_one_db_per_band() -> None:
    # closed form: bandwidth grows by 10^(1/10) from band to band; an impulse is white without chance
    flat = shaped_impulse(np.ones(3 * 2**16 + 1))
    found = levels(flat)
    assert np.diff(found[:-1]) == pytest.approx(1.0, abs=0.01)
    # closed form: share of a band in 0 .. 22050 Hz of the impulse's mean square; at 44.1 kHz the last is cut
    widths = np.array([min(high, RATE_HZ / 2) - low for low, high in map(edges_hz, BANDS)])
    assert found == pytest.approx(10 * np.log10(widths / (RATE_HZ / 2) * np.mean(flat**2)), abs=0.01)


def test_pink_is_flat() -> None:
    # closed form: the integral of 1/f over equal ratios is the same
    frequency_hz = np.fft.rfftfreq(6 * 2**16, 1 / 48000)
    found = levels(shaped_impulse(1.0 / np.maximum(frequency_hz, 5.0)), 48000)
    # 0.05 dB: inside one bin of 1.5 Hz the power at 25 Hz is not constant
    assert found - found.mean() == pytest.approx(0.0, abs=0.05)


@pytest.mark.parametrize(("make", "slope_db"), [(noise, 1.0), (pink_noise, 0.0)])
def test_noises_have_their_slope_within_chance(make, slope_db) -> None:
    seconds = 20.0
    found = levels(make(seconds, RATE_HZ))[2:-1]  # pink_noise begins at 25 Hz; the last band is cut at 44.1 kHz
    # closed form: power of noise of bandwidth B over T in two channels has a relative deviation 1/sqrt(2 B T)
    width_hz = np.array([edges_hz(x)[1] - edges_hz(x)[0] for x in BANDS])[2:-1]
    deviation_db = 10 / np.log(10) / np.sqrt(2 * width_hz * seconds)
    expected = slope_db * np.arange(found.size)
    expected += np.average(found - expected, weights=1 / deviation_db**2)
    assert np.abs((found - expected) / deviation_db).max() < 4.0


def test_mid_and_side_add_up_to_left_and_right() -> None:
    left = sine(1000.0, 4.0, RATE_HZ, -6.0) * [1.0, 0.0]
    band = third_octaves(measure_spectrum(left, RATE_HZ))[16]
    # closed form: one channel is half mid and half side; a sine of -6 dBFS peak has -9.01 dB
    assert band.level_db == pytest.approx(-9.01, abs=0.02)
    assert (band.mid_db, band.side_db) == pytest.approx((-12.02, -12.02), abs=0.02)
    both = third_octaves(measure_spectrum(left + left[:, ::-1], RATE_HZ))[16]
    assert both.side_db is None
    assert both.mid_db == both.level_db == pytest.approx(-6.0, abs=0.02)


def test_one_channel_is_its_own_mid() -> None:
    samples = noise(4.0, RATE_HZ, channels=1)
    for band in third_octaves(measure_spectrum(samples, RATE_HZ)):
        assert band.mid_db == band.level_db is not None
        assert band.side_db is None


@pytest.mark.parametrize("frames", [1, 1000, 65536, 200_003])
@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_bins_add_up_to_the_variance(frames: int, dtype: type) -> None:
    samples = (noise(5.0, RATE_HZ)[:frames] * [1.0, 0.3] + [0.02, -0.05]).astype(dtype)
    spectrum = measure_spectrum(samples, RATE_HZ)
    variance = (np.mean(samples.astype(float) ** 2, axis=0) - np.mean(samples.astype(float), axis=0) ** 2).sum()
    # Parseval's relation; 1 %: the windows see a slightly different mean in so short a signal
    assert spectrum.mid.sum() + spectrum.side.sum() == pytest.approx(variance, rel=0.01, abs=1e-9)


def test_a_constant_is_no_sound() -> None:
    spectrum = measure_spectrum(np.full((3 * RATE_HZ, 2), 0.5), RATE_HZ)
    # two channels of 0.25: float64 rounds the difference of equal powers to 2e-16 of them
    assert spectrum.mid.sum() + spectrum.side.sum() < 0.5 * 1e-15
    assert subsonic_db(spectrum) is None


@pytest.mark.parametrize("channels", [1, 2])
def test_blocks_change_no_bit(channels: int) -> None:
    samples = noise(4.0, RATE_HZ, channels=channels).astype(np.float32)
    whole = measure_spectrum(samples, RATE_HZ)
    for size in (9999, 65_536):
        meter = SpectrumMeter(RATE_HZ, channels)
        for start in range(0, len(samples), size):
            meter.push(samples[start : start + size])
            if start == 0:
                meter.result()  # looking on the way changes nothing
        for name in ("mid", "side", "product"):
            np.testing.assert_array_equal(getattr(meter.result(), name), getattr(whole, name))


def test_silence_has_no_levels() -> None:
    for samples in (np.zeros((0, 2)), np.zeros((4 * RATE_HZ, 2), np.float32)):
        spectrum = measure_spectrum(samples, RATE_HZ)
        assert {(b.level_db, b.mid_db, b.side_db) for b in third_octaves(spectrum)} == {(None, None, None)}
        assert subsonic_db(spectrum) is None


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
@pytest.mark.parametrize("offset", [0.0, 0.3])
def test_subsonic_share_of_two_tones(offset: float, dtype: type) -> None:
    samples = (sine(10.0, 10.0, RATE_HZ, -30.0) + sine(1000.0, 10.0, RATE_HZ, -10.0) + offset).astype(dtype)
    # closed form: a hundredth of the other tone's power; the mean does not count
    assert subsonic_db(measure_spectrum(samples, RATE_HZ)) == pytest.approx(-10 * np.log10(101.0), abs=0.02)


def test_subsonic_share_of_white_is_its_bandwidth() -> None:
    flat = shaped_impulse(np.ones(3 * 2**16 + 1), channels=2)
    # closed form: 20 Hz of 22050 Hz, less half of half a bin at 0 Hz, which goes with the mean
    share = (20.0 - 0.25 * RATE_HZ / 32768) / 22050.0
    assert subsonic_db(measure_spectrum(flat, RATE_HZ)) == pytest.approx(10 * np.log10(share), abs=0.02)
