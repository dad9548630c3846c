from itertools import pairwise

import numpy as np
import pytest

from autochain.audio.oversample import PIECE_FRAMES, scratch
from autochain.audio.signals import noise, sine
from autochain.chain import _clipper_kernels as kernels
from autochain.chain.clipper import FILTER, STAGE, curve, reduction_db
from autochain.resources import read_table

RATE = 48000
TABLES = read_table("clipper.toml")


def clip(x, ceiling_dbfs, softness=0.0, rate_hz=RATE):
    return STAGE.process(x, rate_hz, STAGE.checked({"ceiling_dbfs": ceiling_dbfs, "softness": softness}))


def harmonics(y, frequency_hz, count):
    """Amplitudes of harmonics 1 .. count of one second of whole periods."""
    spectrum = np.abs(np.fft.rfft(y)) / (y.size / 2)
    return spectrum[np.arange(1, count + 1) * frequency_hz]


def driven(drive_db, frequency_hz=100, softness=0.0):
    """Middle second of a clipped sine, ceiling 0 dBFS."""
    x = sine(frequency_hz, 2.0, RATE, drive_db, channels=1)
    return clip(x, 0.0, softness).samples[RATE // 2 : RATE // 2 + RATE, 0]


@pytest.mark.parametrize("row", TABLES["hard_harmonics"], ids=lambda r: str(r["drive_db"]))
def test_hard_clipped_sine_has_the_closed_form_harmonics(row):
    h = harmonics(driven(row["drive_db"]), 100, 60)
    dbc = 20.0 * np.log10(h / h[0])
    # 0.02 dB: the table's rounding, and what four-fold oversampling folds onto the harmonics
    np.testing.assert_allclose(dbc[[2, 4, 6]], [row["h3_dbc"], row["h5_dbc"], row["h7_dbc"]], atol=0.02)
    # the table sums all harmonics, here those below 6 kHz
    assert 100.0 * np.sqrt(np.sum(h[1:] ** 2)) / h[0] == pytest.approx(row["thd_percent"], abs=0.02)


@pytest.mark.parametrize("softness", [0.0, 10.0, 50.0, 100.0])
def test_curve_is_the_hard_clip_averaged_over_the_bend(softness):
    c, u = 0.7, np.linspace(-2.0, 2.0, 401)
    # closed form by definition: mean of clip(u + t) over t in -w .. w
    t = (np.arange(4000) + 0.5) / 4000 * 2.0 - 1.0
    averaged = np.clip(u[:, None] + 0.005 * softness * c * t, -c, c).mean(axis=1)
    np.testing.assert_allclose(curve(u, c, softness), averaged, atol=2e-7)


def test_curve_at_its_landmarks():
    # closed form, c = 1, w = 0.5: identity to 0.5, 1 - w/4 at the ceiling, flat from 1.5
    np.testing.assert_allclose(curve([0.5, 1.0, 1.5, 9.0, -1.0], 1.0, 100.0), [0.5, 0.875, 1.0, 1.0, -0.875])
    assert reduction_db(6.0, 0.0, 0.0) == pytest.approx(6.0)
    assert reduction_db(-7.0, 0.0, 100.0) == 0.0


@pytest.mark.parametrize("softness", [20.0, 60.0, 100.0])
def test_slope_has_no_step(softness):
    u = np.linspace(0.0, 2.0, 200001)
    slope = np.diff(curve(u, 1.0, softness)) / np.diff(u)
    # closed form: the slope falls by 1 over a width of 2 w, so between neighbours by 1e-5 / (2 w)
    assert np.abs(np.diff(slope)).max() <= 1.01e-5 / (0.01 * softness)


@pytest.mark.parametrize("softness", [0.0, 40.0, 100.0])
def test_slow_signals_follow_the_static_curve(softness):
    x = sine(20.0, 0.5, RATE, 4.0)
    middle = slice(200, -200)
    # 4e-4 where a hard corner is low-passed
    np.testing.assert_allclose(
        clip(x, 0.0, softness).samples[middle], curve(x, 1.0, softness)[middle], atol=4e-4
    )


def test_softer_curves_make_fewer_high_harmonics():
    # common practice, no source: compared at one reduction of the peak, 3 dB
    falls = []
    for softness in (0.0, 50.0, 100.0):
        drive = np.linspace(3.0, 6.0, 3001)
        drive = drive[np.argmin([abs(reduction_db(d, 0.0, softness) - 3.0) for d in drive])]
        h = harmonics(driven(float(drive), softness=softness), 100, 99)
        falls.append(10.0 * np.log10(np.sum(h[40:] ** 2) / h[2] ** 2))
    assert falls[1] < falls[0] - 6.0
    assert falls[2] < falls[1] - 3.0


@pytest.mark.parametrize("row", TABLES["hard_alias"], ids=lambda r: str(r["frequency_hz"]))
def test_aliases_below_20_khz_are_those_of_ideal_fourfold_oversampling(row):
    f = row["frequency_hz"]
    x = sine(f, 3.0, RATE, row["drive_db"], phase_deg=np.rad2deg(0.1), channels=1)
    y = clip(x, 0.0).samples[RATE : 2 * RATE, 0]
    power = np.abs(np.fft.rfft(y)) ** 2
    bins = np.arange(power.size)
    # Above 20 kHz the filter's transition lets the nearest harmonics fold onto 20 .. 24 kHz; not counted.
    off = power[(bins % f != 0) & (bins <= 20000)].sum()
    assert 10.0 * np.log10(off / power.sum()) <= row["factor_4_db"] + 0.3
    plain = np.abs(np.fft.rfft(np.clip(x[RATE : 2 * RATE, 0], -1.0, 1.0))) ** 2
    off_db = 10.0 * np.log10(plain[bins % f != 0].sum() / plain.sum())
    assert off_db == pytest.approx(row["factor_1_db"], abs=0.1)


def test_hard_clip_changes_the_wave_least_of_all_curves_with_its_ceiling():
    # closed form: clipping is the least-squares projection onto the ceiling
    x = 0.4 * noise(1.0, RATE, 0.0, channels=1)
    changes = [np.sum((clip(x, 0.0, s).samples - x) ** 2) for s in (0.0, 25.0, 50.0, 75.0, 100.0)]
    assert all(a < b for a, b in pairwise(changes))


@pytest.mark.parametrize("softness", [0.0, 30.0, 100.0])
@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_untouched_below_the_knee(softness, dtype):
    x = sine(997.0, 0.3, RATE, -0.1 + 20.0 * np.log10(1.0 - 0.005 * softness)).astype(dtype)
    x[100:120] = -0.0
    x = x * np.linspace(0.0, 1.0, x.shape[0], dtype=dtype)[:, None]
    out = clip(x, 0.0, softness)
    assert out.samples.dtype == dtype
    assert out.samples is not x
    assert out.samples.tobytes() == x.tobytes()
    assert not out.trace.max_db.any()


def test_only_the_neighbourhood_of_a_peak_changes():
    x = noise(0.5, RATE, -40.0)
    x[10000, 0] = 0.9
    y = clip(x, -6.0).samples
    changed = np.flatnonzero((x != y).any(axis=1))
    assert 10000 in changed
    assert 10000 - 2 * FILTER.reach < changed.min()
    assert changed.max() < 10000 + 2 * FILTER.reach
    np.testing.assert_array_equal(y[:, 1], x[:, 1])  # each channel is clipped by itself


@pytest.mark.parametrize("softness", [0.0, 60.0])
def test_result_does_not_depend_on_where_blocks_and_pieces_begin(softness):
    x = noise(0.4, RATE, -6.0).astype(np.float32)
    x[: FILTER.reach] = 0.0  # what rings before the first frame is cut off
    y = clip(x, -8.0, softness).samples
    for shift in (1, 7, 300, PIECE_FRAMES):
        later = np.concatenate((np.zeros((shift, 2), np.float32), x))
        np.testing.assert_array_equal(clip(later, -8.0, softness).samples[shift:], y)


def test_float32_stays_within_its_rounding_of_float64():
    x = noise(0.4, RATE, -6.0).astype(np.float32)
    difference = clip(x, -8.0, 30.0).samples - clip(x.astype(np.float64), -8.0, 30.0).samples
    # float32 sums of 72 products: -120 dB below full scale at the worst sample
    assert np.abs(difference).max() < 1e-6


def test_trace_reads_the_reduction_of_peak_and_of_gain():
    x = sine(1000.0, 1.0, RATE, 6.0)
    trace = clip(x, 0.0).trace
    assert trace.max_db.shape == (100,)
    np.testing.assert_allclose(trace.max_db[1:-1], 6.0, atol=0.01)
    # by definition: mean of |clip(u)| / |u| over a period
    u = np.abs(10.0**0.3 * np.sin(2.0 * np.pi * (np.arange(10000) + 0.5) / 10000))
    expected = -20.0 * np.log10(np.mean(np.minimum(u, 1.0) / u))
    np.testing.assert_allclose(trace.mean_db[1:-1], expected, atol=0.02)


def test_stated_latency_is_how_far_a_change_reaches_back():
    x = 3.0 * sine(1000.0, 0.05, RATE, channels=1)
    changed = x.copy()
    changed[1000] += 0.5
    first = np.flatnonzero((clip(x, -20.0).samples != clip(changed, -20.0).samples).any(axis=1))[0]
    assert 1000 - first == STAGE.latency_samples(RATE, {})


def test_swapped_channels_give_swapped_output_and_silence_stays_silence():
    x = noise(0.2, RATE, -6.0)
    np.testing.assert_array_equal(clip(x[:, ::-1].copy(), -9.0).samples, clip(x, -9.0).samples[:, ::-1])
    silence = np.zeros((1000, 2), np.float32)
    assert not clip(silence, -24.0, 100.0).samples.any()
    assert clip(np.zeros((0, 2), np.float32), 0.0).samples.shape == (0, 2)


@pytest.mark.parametrize("ceiling_dbfs", [-24.0, 24.0])
@pytest.mark.parametrize("softness", [0.0, 0.001, 100.0])
@pytest.mark.parametrize("channels", [1, 2])
def test_finite_at_the_range_ends_and_input_untouched(ceiling_dbfs, softness, channels):
    x = np.sign(noise(0.05, RATE, 0.0, channels)).astype(np.float32) * 20.0
    before = x.copy()
    out = clip(x, ceiling_dbfs, softness)
    for values in (out.samples, out.trace.max_db, out.trace.mean_db):
        assert np.isfinite(values).all()
    np.testing.assert_array_equal(x, before)


def test_plain_python_and_compiled_loops_agree():
    x = noise(200 / RATE, RATE, 0.0)
    line, up = scratch(FILTER, np.float64)
    starts, stops = np.array([30, 120]), np.array([90, 170])
    results = []
    for clip_runs, add in (
        (kernels.clip_runs, kernels.add_residual),
        (kernels.clip_runs.py_func, kernels.add_residual.py_func),
    ):
        residual, peak, loss, y = np.zeros((2, 200 + 72)), np.zeros(1), np.zeros(1), x.copy()
        clip_runs(x, starts, stops, FILTER.taps, 40, 0.5, 0.1, 480, line, up, residual, peak, loss)
        add(starts, stops, residual, y)
        results.append((residual, peak, loss, y))
    for a, b in zip(*results, strict=True):
        np.testing.assert_allclose(a, b, rtol=1e-13, atol=1e-15)
    for u in (-2.0, -0.9, 0.3, 0.5, 1.0, 1.6):
        assert kernels.bend(u, 1.0, 0.4) == pytest.approx(kernels.bend.py_func(u, 1.0, 0.4), abs=1e-15)
        assert kernels.bend(u, 1.0, 0.4) == pytest.approx(float(curve(u, 1.0, 80.0)), abs=1e-15)
