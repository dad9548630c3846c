"""Everything measured at once: what a stream gives is what the array gives, and what gain and swaps change."""

import dataclasses

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st

from autochain.audio.files import read_mix
from autochain.audio.signals import noise, pink_noise, sine, struck
from autochain.errors import AudioFileError
from autochain.measure.asymmetry import asymmetry_series, loud_windows
from autochain.measure.crest import local_crest_db
from autochain.measure.hop_sums import measure_hop_sums
from autochain.measure.loudness import integrated_lufs, loud_hops, weighted_hops
from autochain.measure.measurement import Measured, Measurement, MixMeter, MixSeries, measure, measure_file
from autochain.measure.spectrum import measure_spectrum
from autochain.measure.stereo import correlation_of, correlation_under
from autochain.measure.true_peak import read_true_peak

RATE_HZ = 44100
IMAGE = ("correlation", "correlation_below_120_hz", "side_to_mid_db", "channel_imbalance_db")
# What gain moves by its decibels; everything else stays.
LEVELS = (
    "integrated_lufs", "max_short_term_lufs", "max_momentary_lufs", "true_peak_dbtp", "true_peak_annex2_dbtp",
    "true_peak_sinc49_dbtp", "true_peak_x16_dbtp", "sample_peak_dbfs", "dc_left_dbfs", "dc_right_dbfs",
    "noise_floor_dbfs",
)  # fmt: skip
few = settings(max_examples=8, derandomize=True, deadline=None)


def measured(samples: np.ndarray, rate_hz: int) -> Measured:
    meter = MixMeter(rate_hz, samples.shape[1])
    meter.push(samples)
    return meter.result()


def mix(seed: int = 1, seconds: float = 3.5, channels: int = 2, rate_hz: int = RATE_HZ) -> np.ndarray:
    """Struck, lopsided, unbalanced, partly clipped, with an offset."""
    samples = struck(pink_noise(seconds, rate_hz, -16.0, channels, seed), rate_hz)
    samples = samples + 0.1 * sine(60.0, seconds, rate_hz, channels=channels) ** 2
    samples[:, -1] = 0.6 * samples[:, -1] + 0.2 * samples[:, 0] + 0.003
    return np.clip(samples, -0.4, 0.45)


def assert_same_series(found: MixSeries, expected: MixSeries) -> None:
    for name in ("momentary_lufs", "short_term_lufs"):
        np.testing.assert_array_equal(getattr(found, name), getattr(expected, name))
    for name in ("psr", "asymmetry"):
        for part in ("values_db", "first_hops"):
            np.testing.assert_array_equal(
                getattr(getattr(found, name), part), getattr(getattr(expected, name), part)
            )
    assert found.thirds == expected.thirds
    assert found.clipped_at_s == expected.clipped_at_s


@pytest.mark.parametrize(("name", "subtype"), [("a.wav", "PCM_16"), ("a.flac", "PCM_24"), ("a.wav", "FLOAT")])
@pytest.mark.parametrize("channels", [1, 2])
def test_a_file_reads_as_its_array_does(tmp_path, name, subtype, channels) -> None:
    path = tmp_path / name
    soundfile.write(path, mix(channels=channels), RATE_HZ, subtype=subtype)
    samples = read_mix(path).samples
    expected = measured(samples, RATE_HZ)
    assert measure(samples, RATE_HZ) == expected.figures
    for block_frames in (4410, 65_536, 100_003, 1 << 20):
        found = measure_file(path, block_frames)
        assert found.figures == expected.figures
        assert_same_series(found.series, expected.series)


@few
@given(cuts=st.lists(st.integers(0, 7 * RATE_HZ // 2), max_size=8), channels=st.sampled_from([1, 2]))
def test_blocks_change_no_bit(cuts, channels) -> None:
    samples = mix(channels=channels).astype(np.float32)
    expected = measured(samples, RATE_HZ)
    meter = MixMeter(RATE_HZ, channels)
    for block in np.split(samples, sorted(cuts)):
        meter.push(block)
    found = meter.result()
    assert found.figures == expected.figures
    assert_same_series(found.series, expected.series)


def test_a_file_that_cannot_be_measured_is_refused_as_by_the_reader(tmp_path) -> None:
    path = tmp_path / "a.wav"
    soundfile.write(path, np.zeros((4 * RATE_HZ, 2)), RATE_HZ)
    with pytest.raises(AudioFileError, match="silent throughout"):
        measure_file(path)


@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000])
@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_figures_are_those_of_the_single_measures(rate_hz, dtype) -> None:
    samples = mix(rate_hz=rate_hz).astype(dtype)
    found = measure(samples, rate_hz)
    hops = weighted_hops(samples, rate_hz)
    integrated = integrated_lufs(hops)
    assert found.integrated_lufs == integrated
    assert found.true_peak_dbtp == read_true_peak(samples, rate_hz).highest_dbtp
    # sums in another order: some 1e-12 of the value
    assert found.local_crest_db == pytest.approx(local_crest_db(samples, rate_hz), abs=1e-9)
    length = rate_hz // 20
    windows = samples[: len(samples) // length * length].astype(np.float64).reshape(-1, length, samples.shape[1])
    loud = loud_windows(loud_hops(hops, integrated), len(samples), rate_hz)
    lean = asymmetry_series(windows.max(axis=1), windows.min(axis=1), loud).mean
    assert found.asymmetry_db == pytest.approx(lean.level_db, abs=1e-9)
    assert found.correlation == correlation_of(measure_hop_sums(samples, rate_hz))
    assert found.correlation_below_120_hz == correlation_under(measure_spectrum(samples, rate_hz), 120.0)


def test_series_hold_what_the_figures_are_taken_from() -> None:
    found = measured(mix().astype(np.float32), RATE_HZ)
    figures, series = found.figures, found.series
    assert series.momentary_lufs.max() == figures.max_momentary_lufs
    assert series.short_term_lufs.max() == figures.max_short_term_lufs
    assert series.psr.min_db == figures.psr_min_db
    assert abs(series.asymmetry.values_db.mean()) == figures.asymmetry_db
    assert len(series.thirds) == 30
    assert 0 < len(series.clipped_at_s) <= figures.clipped_runs
    assert figures.longest_clipped_run >= 3
    # mix(): 0.003 beside what clipping and the squared tone add
    assert figures.dc_right_dbfs > -50.0


@few
@given(gain_db=st.floats(-24.0, 12.0), seed=st.integers(0, 50))
def test_gain_moves_levels_by_itself_and_nothing_else(gain_db, seed) -> None:
    samples = mix(seed)
    before, after = measure(samples, RATE_HZ), measure(samples * 10.0 ** (gain_db / 20.0), RATE_HZ)
    for name, value in before.as_dict().items():
        # 1e-6 dB: rounding; all gates are relative or far away, and clipped runs stand out by many steps
        expected = value + gain_db if name in LEVELS else value
        assert after.as_dict()[name] == pytest.approx(expected, abs=1e-6), name


@few
@given(seed=st.integers(0, 50))
def test_swapped_channels_swap_their_figures_and_nothing_else(seed) -> None:
    samples = mix(seed)
    before, after = (measure(x, RATE_HZ).as_dict() for x in (samples, samples[:, ::-1]))
    before["channel_imbalance_db"] *= -1.0
    before["dc_left_dbfs"], before["dc_right_dbfs"] = before["dc_right_dbfs"], before["dc_left_dbfs"]
    assert after == pytest.approx(before, abs=1e-9)


@few
@given(seed=st.integers(0, 50))
def test_polarity_changes_nothing_and_of_one_channel_only_the_image(seed) -> None:
    samples = mix(seed)
    before = measure(samples, RATE_HZ).as_dict()
    assert measure(-samples, RATE_HZ).as_dict() == pytest.approx(before, abs=1e-9)
    turned = measure(samples * [1.0, -1.0], RATE_HZ).as_dict()
    for name in ("correlation", "correlation_below_120_hz", "side_to_mid_db"):
        before[name] *= -1.0
    assert turned == pytest.approx(before, abs=1e-9)


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("frames", [0, 1000, 4 * RATE_HZ])
def test_silence_has_no_figures(frames, channels, dtype) -> None:
    found = measured(np.zeros((frames, channels), dtype), RATE_HZ)
    figures = found.figures.as_dict()
    assert (figures.pop("clipped_runs"), figures.pop("longest_clipped_run")) == (0, 0)
    assert set(figures.values()) == {None}
    assert found.series.psr.values_db.size == found.series.asymmetry.values_db.size == 0


@few
@given(
    level_dbfs=st.floats(-160.0, 6.0), channels=st.sampled_from([1, 2]), silent=st.sampled_from(["", "left", "start"])
)
def test_no_figure_is_ever_nan(level_dbfs, channels, silent) -> None:
    samples = noise(3.2, RATE_HZ, level_dbfs, channels).astype(np.float32)
    if silent == "left":
        samples[:, 0] = 0.0
    elif silent == "start":
        samples[: 2 * RATE_HZ] = 0.0
    found = measured(samples, RATE_HZ)
    assert all(v is None or np.isfinite(v) for v in found.figures.as_dict().values())
    for values in (found.series.momentary_lufs, found.series.short_term_lufs, found.series.psr.values_db):
        assert np.isfinite(values).all()
    assert np.isfinite(found.series.asymmetry.values_db).all()


def test_mono_has_no_image() -> None:
    found = measure(mix(channels=1), RATE_HZ)
    assert {getattr(found, name) for name in (*IMAGE, "dc_right_dbfs")} == {None}
    missing = {f.name for f in dataclasses.fields(Measurement) if getattr(found, f.name) is None}
    assert missing == {*IMAGE, "dc_right_dbfs"}
