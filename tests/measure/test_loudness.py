"""Loudness against BS.1770-5, Tech 3341, Tech 3342, libebur128 and pyloudnorm."""

import math

import numpy as np
import pyebur128
import pyloudnorm
import pytest
from scipy import signal as dsp

from autochain.audio.signals import noise, sine, tones
from autochain.measure import loudness
from autochain.resources import read_table

TABLES = read_table("loudness.toml")
TECH3341 = TABLES["tech3341"]


def integrated(samples: np.ndarray, rate_hz: int) -> float | None:
    return loudness.integrated_lufs(loudness.weighted_hops(samples, rate_hz))


def uneven_noise(rate_hz: int, channels: int = 2) -> np.ndarray:
    """8 s of noise whose level wanders by 30 dB, so that both gates have work."""
    samples = noise(8.0, rate_hz, channels=channels, seed=rate_hz)
    t = np.arange(samples.shape[0]) / rate_hz
    return samples * 10.0 ** (-15.0 * (1.0 + np.sin(2.0 * np.pi * 0.3 * t)) / 20.0)[:, None]


def test_k_weighting_at_48_khz_is_the_published_table():
    # BS.1770-5 Tables 1 and 2; 14 decimals are printed
    table = TABLES["k_weighting"]["48000"]
    for filter_, name in zip(loudness.k_weighting(48000), ("shelf", "high_pass"), strict=True):
        np.testing.assert_allclose(filter_, table[name]["b"] + table[name]["a"], rtol=0, atol=6e-15)


# The response at other rates is to be that of 48 kHz (BS.1770-5 Annex 1). The numerator kept from the table
# offsets it by 0.004 dB at 44.1 kHz, 0.022 dB at 96 kHz and 0.033 dB at 192 kHz, hence the tolerances.
@pytest.mark.parametrize(
    ("rate_hz", "within_db"), [(44100, 0.006), (48000, 0.00006), (96000, 0.03), (192000, 0.04)]
)
def test_k_weighting_gain_follows_the_published_filter_at_every_rate(rate_hz, within_db):
    table = TABLES["k_weighting_gain_48000"]
    gain = np.ones(len(table["frequencies_hz"]))
    for f in loudness.k_weighting(rate_hz):
        gain = gain * abs(dsp.freqz(f[:3], np.r_[1.0, f[3:]], table["frequencies_hz"], fs=rate_hz)[1])
    np.testing.assert_allclose(20.0 * np.log10(gain), table["gains_db"], rtol=0, atol=within_db)


@pytest.mark.parametrize("channels", [1, 2])
def test_kernel_equals_scipy_filters(channels):
    samples = noise(0.5, 44100, channels=channels)
    weighted = samples
    for f in loudness.k_weighting(44100):
        weighted = dsp.lfilter(f[:3], np.r_[1.0, f[3:]], weighted, axis=0)
    expected = (weighted**2).sum(axis=1).reshape(-1, 441).mean(axis=1)
    np.testing.assert_allclose(loudness.weighted_hops(samples, 44100), expected, rtol=1e-10)


@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000])
def test_full_scale_sine_in_one_channel_reads_minus_3_01(rate_hz):
    samples = sine(997.0, 5.0, rate_hz)
    samples[:, 1] = 0.0
    # BS.1770-5 Annex 1: 0 dBFS 997 Hz sine in one of L, R reads -3.01 LUFS; 0.02 for other rates (see above)
    assert integrated(samples, rate_hz) == pytest.approx(-3.01, abs=0.003 if rate_hz == 48000 else 0.02)


def test_one_channel_reads_3_01_lu_less_than_the_same_in_two():
    samples = uneven_noise(48000, channels=1)
    # closed form: 10 log10 2
    expected = 10.0 * math.log10(2.0)
    assert integrated(np.repeat(samples, 2, axis=1), 48000) - integrated(samples, 48000) == pytest.approx(
        expected, abs=1e-9
    )


@pytest.mark.parametrize("rate_hz", [44100, 48000])
@pytest.mark.parametrize("case", TECH3341["integrated"], ids=lambda case: f"case{case['case']}")
def test_tech3341_integrated(case, rate_hz):
    # Tech 3341 Table 1, tolerance 0.1 LU
    assert integrated(tones(case["segments"], rate_hz), rate_hz) == pytest.approx(case["lufs"], abs=0.1)


@pytest.mark.parametrize("case", TECH3341["integrated"][:2], ids=lambda case: f"case{case['case']}")
def test_tech3341_steady_tone_reads_the_same_on_all_scales(case):
    hops = loudness.weighted_hops(tones(case["segments"], 48000), 48000)
    # Tech 3341 Table 1, cases 1 and 2: M = S = I, tolerance 0.1 LU
    for series in (loudness.momentary_lufs(hops), loudness.short_term_lufs(hops)):
        np.testing.assert_allclose(series, case["lufs"], rtol=0, atol=0.1)


def test_tech3341_case_9_short_term_is_constant():
    case = TECH3341["short_term"]
    hops = loudness.weighted_hops(tones(case["segments"] * case["times"], 48000), 48000)
    # Tech 3341 Table 1, case 9, tolerance 0.1 LU
    np.testing.assert_allclose(loudness.short_term_lufs(hops), case["lufs"], rtol=0, atol=0.1)


def test_tech3341_case_12_momentary_is_constant_after_1_s():
    case = TECH3341["momentary"]
    hops = loudness.weighted_hops(tones(case["segments"] * case["times"], 48000), 48000)
    # Tech 3341 Table 1, case 12, tolerance 0.1 LU
    np.testing.assert_allclose(loudness.momentary_lufs(hops)[60:], case["lufs"], rtol=0, atol=0.1)


# Tech 3341 Table 1, cases 10 and 13: (step of leading silence, tone, read as), Max = -23.0, tolerance 0.1 LU
@pytest.mark.parametrize(
    ("step_s", "tone_s", "read"),
    [(0.15, 3.0, loudness.short_term_lufs), (0.02, 0.4, loudness.momentary_lufs)],
    ids=["case10", "case13"],
)
def test_tech3341_maximum_does_not_depend_on_the_start(step_s, tone_s, read):
    for i in range(20):
        samples = tones([(i * step_s, -math.inf), (tone_s, -23.0), (1.0, -math.inf)], 48000)
        assert read(loudness.weighted_hops(samples, 48000)).max() == pytest.approx(-23.0, abs=0.1)


# Tech 3341 Table 1, cases 11 and 14: the maximum so far is -38, -37 ... -19 successively, tolerance 0.1 LU
@pytest.mark.parametrize(
    ("step_s", "tone_s", "read"),
    [(0.15, 3.0, loudness.short_term_lufs), (0.02, 0.4, loudness.momentary_lufs)],
    ids=["case11", "case14"],
)
def test_tech3341_maximum_follows_rising_tones(step_s, tone_s, read):
    segments = []
    ends_s = []
    for i in range(20):
        segments += [(i * step_s, -math.inf), (tone_s, -38.0 + i), (tone_s - i * step_s, -math.inf)]
        ends_s.append(sum(s for s, _ in segments))
    hops = loudness.weighted_hops(tones(segments, 48000), 48000)
    maxima = [read(hops[: round(end * 100)]).max() for end in ends_s]
    np.testing.assert_allclose(maxima, np.arange(-38.0, -18.0), rtol=0, atol=0.1)


@pytest.mark.parametrize("case", TABLES["tech3342"], ids=lambda case: f"case{case['case']}")
def test_tech3342_range(case):
    samples = tones([(20.0, level) for level in case["levels_dbfs"]], 44100)
    # Tech 3342 Table 1 allows 1 LU; exact for steps this long, so 0.02 here
    assert loudness.loudness_range_lu(loudness.weighted_hops(samples, 44100)) == pytest.approx(
        case["range_lu"], abs=0.02
    )


@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000])
def test_integrated_agrees_with_libebur128_and_pyloudnorm(rate_hz, channels):
    samples = uneven_noise(rate_hz, channels)
    state = pyebur128.R128State(channels, rate_hz, pyebur128.MeasurementMode.MODE_I)
    state.add_frames(samples.reshape(-1), samples.shape[0])
    meter = pyloudnorm.Meter(rate_hz, filter_class="DeMan")
    ours = integrated(samples, rate_hz)
    assert ours == pytest.approx(pyebur128.get_loudness_global(state), abs=0.001)
    assert ours == pytest.approx(meter.integrated_loudness(samples), abs=0.001)
    assert integrated(samples.astype(np.float32), rate_hz) == pytest.approx(ours, abs=1e-5)


def test_last_momentary_and_short_term_agree_with_libebur128():
    samples = uneven_noise(48000)
    state = pyebur128.R128State(2, 48000, pyebur128.MeasurementMode.MODE_S)
    state.add_frames(samples.reshape(-1), samples.shape[0])
    hops = loudness.weighted_hops(samples, 48000)
    momentary, short_term = pyebur128.get_loudness_momentary(state), pyebur128.get_loudness_shortterm(state)
    assert loudness.momentary_lufs(hops)[-1] == pytest.approx(momentary, abs=0.001)
    assert loudness.short_term_lufs(hops)[-1] == pytest.approx(short_term, abs=0.001)


@pytest.mark.parametrize("gain_db", [-12.0, 0.1, 9.0])
def test_gain_moves_every_loudness_by_exactly_that_gain(gain_db):
    samples = uneven_noise(44100)
    before, after = (loudness.weighted_hops(x, 44100) for x in (samples, samples * 10.0 ** (gain_db / 20.0)))
    # closed form: loudness is the logarithm of a power
    for series in (loudness.integrated_lufs, loudness.momentary_lufs, loudness.short_term_lufs):
        np.testing.assert_allclose(series(after) - series(before), gain_db, rtol=0, atol=1e-9)


def test_channel_swap_and_polarity_change_nothing():
    samples = uneven_noise(44100)
    expected = loudness.weighted_hops(samples, 44100)
    np.testing.assert_allclose(loudness.weighted_hops(samples[:, ::-1], 44100), expected, rtol=1e-14)
    np.testing.assert_array_equal(loudness.weighted_hops(-samples, 44100), expected)


def test_silence_and_too_short_have_no_loudness():
    for frames in (0, 441, 44100 * 5):
        hops = loudness.weighted_hops(np.zeros((frames, 2), dtype=np.float32), 44100)
        assert loudness.integrated_lufs(hops) is None
        assert loudness.loudness_range_lu(hops) is None
        assert not loudness.loud_hops(hops, -70.0).any()
    assert (loudness.momentary_lufs(hops) == -200.0).all()


def test_the_absolute_gate_lies_at_minus_70_lufs():
    # BS.1770-5 Annex 1 and Tech 3342: nothing under -70 LUFS counts; a 1 kHz stereo sine of p dBFS reads p
    above, below = (loudness.weighted_hops(sine(1000.0, 5.0, 48000, p), 48000) for p in (-69.9, -70.1))
    assert loudness.integrated_lufs(above) == pytest.approx(-69.9, abs=0.01)
    assert loudness.integrated_lufs(below) is None
    assert loudness.loudness_range_lu(above) == pytest.approx(0.0, abs=0.01)
    assert loudness.loudness_range_lu(below) is None


def test_silence_after_a_loud_part_reads_the_floor():
    samples = noise(12.0, 44100)
    samples[44100:] = 0.0
    assert loudness.short_term_lufs(loudness.weighted_hops(samples, 44100))[-1] == -200.0


def test_incomplete_last_hop_and_block_are_dropped():
    assert loudness.weighted_hops(np.zeros((4800 + 479, 2)), 48000).shape == (10,)
    # BS.1770-5 Annex 1: blocks of 400 ms, each 100 ms later, only complete ones: 1.29 s hold 9
    assert loudness.gating_blocks(np.ones(129)).tolist() == pytest.approx([1.0] * 9)


def test_pooled_blocks_of_excerpts_are_gated_together():
    quiet, loud = (noise(2.0, 48000, level_dbfs=level) for level in (-45.0, -20.0))
    blocks = [loudness.gating_blocks(loudness.weighted_hops(x, 48000)) for x in (quiet, loud)]
    # BS.1770-5 Annex 1: 25 LU under the rest is behind the relative gate
    assert loudness.gated_lufs(np.concatenate(blocks)) == loudness.gated_lufs(blocks[1])


def test_loud_hops_are_those_around_the_loud_part():
    samples = tones([(2.0, -40.0), (2.0, -10.0), (2.0, -40.0)], 48000)
    loud = loudness.loud_hops(loudness.weighted_hops(samples, 48000), -20.0)
    # closed form: a share p of the 40-hop window at -10 gives -10 + 10 log10 p, so -20 needs 4 hops of it and
    # the loud part reaches 16 hops beyond its edges (200 .. 399); 1 hop of doubt for the filter's ringing
    assert np.flatnonzero(loud)[[0, -1]].tolist() == pytest.approx([184, 416], abs=1.5)
    assert loud[184:416].all()
    assert loudness.loud_hops(loudness.weighted_hops(samples[:9600], 48000), -41.0).all()


def test_a_value_belongs_to_the_centre_of_its_window():
    samples = tones([(4.0, -40.0), (3.0, -20.0), (4.0, -40.0)], 48000)
    series = loudness.short_term_lufs(loudness.weighted_hops(samples, 48000))
    assert loudness.centre_s(int(series.argmax()), loudness.SHORT_TERM_HOPS) == pytest.approx(5.5, abs=0.011)


def test_power_and_lufs_are_inverse():
    power = np.array([loudness.lufs_to_power(-14.2)])
    assert loudness.power_to_lufs(power)[0] == pytest.approx(-14.2, abs=1e-12)


def test_input_is_left_alone():
    samples = noise(0.1, 44100)
    kept = samples.copy()
    loudness.weighted_hops(samples, 44100)
    np.testing.assert_array_equal(samples, kept)
