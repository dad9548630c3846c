from itertools import pairwise

import numpy as np
import pytest

from autochain.audio.cells import CELL_FRAMES
from autochain.audio.oversample import interpolator, scratch, upsample
from autochain.audio.signals import noise, sine
from autochain.chain import _clipper_kernels as kernels
from autochain.chain.clipper import CUBIC, DOWN, FACTORS, PARABOLA, STAGE, TANH, UP, clipping_curve, reduction_db
from autochain.resources import read_table
from tests.downsampled import downsample

RATE = 48000
TABLES = read_table("clipper.toml")


REACH = 36 + 72  # of both filters


def settings(ceiling_dbfs, softness=0.0, oversampling="x4"):
    return STAGE.checked({"ceiling_dbfs": ceiling_dbfs, "softness": softness, "oversampling": oversampling})


def clip(x, ceiling_dbfs, softness=0.0, oversampling="x4", rate_hz=RATE):
    return STAGE.process(x, rate_hz, settings(ceiling_dbfs, softness, oversampling))


def shaped(x, shaper, factor):
    """Any static curve in the place of the clipper's."""
    up = upsample(x, UP[factor])
    return x + downsample(shaper(up) - up, DOWN[factor])


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
    np.testing.assert_allclose(clipping_curve(u, c, softness), averaged, atol=2e-7)


def test_curve_at_its_landmarks():
    # closed form, c = 1, w = 0.5: identity to 0.5, 1 - w/4 at the ceiling, flat from 1.5
    np.testing.assert_allclose(clipping_curve([0.5, 1.0, 1.5, 9.0, -1.0], 1.0, 100.0), [0.5, 0.875, 1.0, 1.0, -0.875])
    assert reduction_db(6.0, 0.0, 0.0) == pytest.approx(6.0)
    assert reduction_db(-7.0, 0.0, 100.0) == 0.0


@pytest.mark.parametrize("softness", [0.0, 30.0, 100.0])
def test_curves_of_other_clippers_bend_from_the_same_knee_to_the_same_ceiling(softness):
    c, u = 0.7, np.linspace(-3.0, 3.0, 601)
    w = 0.005 * softness * c
    over = np.maximum(np.abs(u) - (c - w), 0.0)
    tanh, cubic = (clipping_curve(u, c, softness, curve) for curve in (TANH, CUBIC))
    for curve in (tanh, cubic):
        np.testing.assert_array_equal(curve[over == 0.0], u[over == 0.0])
        assert np.abs(curve).max() <= c
    if softness == 0.0:  # nothing left to bend in
        np.testing.assert_array_equal(tanh, np.clip(u, -c, c))
        np.testing.assert_array_equal(cubic, np.clip(u, -c, c))
        return
    # closed forms, above the knee: w tanh(x), and w (x - 4/27 x^3) up to x = 3/2
    x, bent = over / w, over > 0.0
    np.testing.assert_allclose(np.abs(tanh)[bent], c - w + w * np.tanh(x[bent]), atol=1e-15)
    polynomial = np.where(x < 1.5, x - 4.0 / 27.0 * x**3, 1.0)
    np.testing.assert_allclose(np.abs(cubic)[bent], c - w + w * polynomial[bent], atol=1e-15)


@pytest.mark.parametrize("curve", [TANH, CUBIC])
def test_the_loops_of_other_clippers_do_what_up_curve_and_down_say(curve):
    x = noise(0.05, RATE, -3.0)
    plain = shaped(x, lambda u: clipping_curve(u, 10.0**-0.2, 60.0, curve), 4)
    found = STAGE.process(x, RATE, settings(-4.0, 60.0).with_(curve=curve))
    middle = slice(REACH, -REACH)
    np.testing.assert_allclose(found.samples[middle], plain[middle], atol=1e-13)
    # the meter: largest point over what the curve makes of it
    top = np.abs(upsample(x, UP[4])).max()
    expected = 20.0 * np.log10(top / clipping_curve(top, 10.0**-0.2, 60.0, curve))
    assert found.trace.max_db.max() == pytest.approx(expected, abs=1e-5)


@pytest.mark.parametrize("softness", [20.0, 60.0, 100.0])
def test_slope_has_no_step(softness):
    u = np.linspace(0.0, 2.0, 200001)
    slope = np.diff(clipping_curve(u, 1.0, softness)) / np.diff(u)
    # closed form: the slope falls by 1 over a width of 2 w, so between neighbours by 1e-5 / (2 w)
    assert np.abs(np.diff(slope)).max() <= 1.01e-5 / (0.01 * softness)


@pytest.mark.parametrize("softness", [0.0, 40.0, 100.0])
def test_slow_signals_follow_the_static_curve(softness):
    x = sine(20.0, 0.5, RATE, 4.0)
    middle = slice(200, -200)
    # 4e-4 where a hard corner is low-passed
    np.testing.assert_allclose(
        clip(x, 0.0, softness).samples[middle], clipping_curve(x, 1.0, softness)[middle], atol=4e-4
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


@pytest.mark.parametrize("row", TABLES["cubic_harmonics"], ids=lambda r: str(r["drive_db"]))
def test_a_cubic_in_the_place_of_the_curve_has_its_closed_form_harmonics(row):
    x = sine(100, 2.0, RATE, row["drive_db"], channels=1)
    y = shaped(x, lambda u: np.where(abs(u) < 1.5, u - 4.0 / 27.0 * u**3, np.sign(u)), 4)
    h = harmonics(y[RATE // 2 : RATE // 2 + RATE, 0], 100, 60)
    assert 20.0 * np.log10(h[2] / h[0]) == pytest.approx(row["h3_dbc"], abs=0.01)
    assert 100.0 * np.sqrt(np.sum(h[1:] ** 2)) / h[0] == pytest.approx(row["thd_percent"], abs=0.005)


@pytest.mark.parametrize("row", TABLES["tanh_harmonics"], ids=lambda r: str(r["drive_db"]))
def test_a_tanh_in_the_place_of_the_curve_has_its_closed_form_harmonics(row):
    y = shaped(sine(100, 2.0, RATE, row["drive_db"], channels=1), np.tanh, 4)
    h = harmonics(y[RATE // 2 : RATE // 2 + RATE, 0], 100, 60)
    expected = [row["h3_dbc"], row["h5_dbc"], row["h7_dbc"]]
    np.testing.assert_allclose(20.0 * np.log10(h[[2, 4, 6]] / h[0]), expected, atol=0.01)
    assert 100.0 * np.sqrt(np.sum(h[1:] ** 2)) / h[0] == pytest.approx(row["thd_percent"], abs=0.005)


@pytest.mark.parametrize("oversampling", FACTORS)
@pytest.mark.parametrize("softness", [0.0, 40.0])
def test_the_loops_do_what_up_curve_and_down_say(oversampling, softness):
    x = noise(0.05, RATE, -3.0)
    plain = shaped(x, lambda u: clipping_curve(u, 10.0**-0.2, softness), FACTORS[oversampling])
    # 100 frames: what rings outside the signal is clipped too by the stage and left out by the plain form
    middle = slice(REACH, -REACH)
    y = clip(x, -4.0, softness, oversampling).samples
    np.testing.assert_allclose(y[middle], plain[middle], atol=1e-13)


def off_grid_db(y, frequency_hz):
    """Power off the multiples of the frequency over total power, over the whole band."""
    power = np.abs(np.fft.rfft(y)) ** 2
    return 10.0 * np.log10(power[np.arange(power.size) % frequency_hz != 0].sum() / power.sum())


def driven_for_alias(frequency_hz, drive_db, softness, oversampling):
    x = sine(frequency_hz, 1.2, RATE, drive_db, phase_deg=np.rad2deg(0.1), channels=1)
    start = RATE // 10
    return clip(x, 0.0, softness, oversampling).samples[start : start + RATE, 0]


@pytest.mark.parametrize("oversampling", FACTORS)
@pytest.mark.parametrize("row", TABLES["hard_alias"], ids=lambda r: str(r["frequency_hz"]))
def test_aliases_are_no_more_than_those_of_ideal_oversampling(row, oversampling):
    y = driven_for_alias(row["frequency_hz"], row["drive_db"], 0.0, oversampling)
    # 0.3 dB: the sine begins the table's second 0.1 s later, at another phase against the grid
    assert off_grid_db(y, row["frequency_hz"]) <= row[f"factor_{FACTORS[oversampling]}_db"] + 0.3
    t = np.arange(RATE) / RATE
    x = 10.0 ** (row["drive_db"] / 20.0) * np.sin(2.0 * np.pi * row["frequency_hz"] * t + 0.1)
    assert off_grid_db(np.clip(x, -1.0, 1.0), row["frequency_hz"]) == pytest.approx(row["factor_1_db"], abs=0.1)


@pytest.mark.parametrize(("softness", "most_db"), [(50.0, -85.0), (75.0, -85.0), (100.0, -95.0)])
def test_soft_bends_alias_little_at_eight_times_the_rate(softness, most_db):
    # requirement: a bend of half width 0.25 of the ceiling stays under -85 dB, of 0.5 under -95 dB. The ideal
    # low-pass gives -87.5, -93.3 and -96.5 (computed by FFT), so there is little room for the filters.
    assert off_grid_db(driven_for_alias(4999, 6.0, softness, "x8"), 4999) <= most_db


@pytest.mark.parametrize("factor", FACTORS.values())
def test_filters_are_flat_to_20_khz_and_100_db_down_where_they_must_be(factor):
    # requirement, at 44.1 kHz: flat to 20 kHz; 100 dB down from where images or harmonics could fold onto content
    taps = DOWN[factor]
    impulse = np.zeros(factor * taps.shape[1])
    for p in range(factor):  # what point p adds to frame j sits at p - factor j
        impulse[p :: factor] = taps[p, ::-1]
    response = 20.0 * np.log10(np.abs(np.fft.rfft(impulse, 1 << 18)) + 1e-12)
    f = np.arange(response.size) / (1 << 18) * factor * 44100
    assert np.abs(response[f <= 20000]).max() < 0.001
    assert response[f >= 22050].max() <= -100.0
    assert impulse.sum() == pytest.approx(1.0)


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
    assert changed.min() > 10000 - REACH
    assert changed.max() < 10000 + REACH
    np.testing.assert_array_equal(y[:, 1], x[:, 1])  # each channel is clipped by itself


@pytest.mark.parametrize("softness", [0.0, 60.0])
@pytest.mark.parametrize("oversampling", ["x4", "x16"])
def test_result_does_not_depend_on_where_cells_and_pieces_begin(softness, oversampling):
    x = noise(0.4, RATE, -6.0).astype(np.float32)
    y = clip(x, -8.0, softness, oversampling).samples
    for shift in (1, 7, 300, CELL_FRAMES - 5):
        later = np.concatenate((np.zeros((shift, 2), np.float32), x))
        np.testing.assert_array_equal(clip(later, -8.0, softness, oversampling).samples[shift:], y)


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_where_blocks_are_cut_changes_no_bit(dtype):
    x = noise(1.0, RATE, -6.0).astype(dtype)[: 2 * CELL_FRAMES + 777]
    whole = clip(x, -8.0, 20.0)
    assert whole.samples.shape == x.shape
    for size in (1, 7, 4096, 65536):
        runner = STAGE.start(RATE, 2, settings(-8.0, 20.0))
        pieces = [runner.push(x[:0])]
        # one by one only over the edge of a cell, to stay quick
        cuts = [0, *range(CELL_FRAMES - 300, CELL_FRAMES + 300, 1), x.shape[0]] if size == 1 else [
            *range(0, x.shape[0], size), x.shape[0]
        ]  # fmt: skip
        pieces += [runner.push(x[a:b].copy()) for a, b in pairwise(cuts)]
        pieces.append(runner.finish())
        assert np.concatenate(pieces).tobytes() == whole.samples.tobytes()
        assert runner.trace.max_db.tobytes() == whole.trace.max_db.tobytes()
        assert runner.trace.mean_db.tobytes() == whole.trace.mean_db.tobytes()


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


@pytest.mark.parametrize("oversampling", FACTORS)
def test_stated_latency_is_how_far_a_change_reaches_back(oversampling):
    x = 3.0 * sine(1000.0, 0.05, RATE, channels=1)
    changed = x.copy()
    changed[1000] += 0.5
    y, z = (clip(v, -20.0, oversampling=oversampling).samples for v in (x, changed))
    assert 1000 - np.flatnonzero((y != z).any(axis=1))[0] == STAGE.latency_samples(RATE, {})


def test_more_points_find_more_of_the_peak():
    # closed form: a sine at an eighth of the rate whose samples and quarter points all miss the peak by the most,
    # 1/64 of a period
    x = sine(RATE / 8, 0.1, RATE, 6.0, phase_deg=90.0 - 360.0 / 64, channels=1)
    for oversampling, missed_db in (("x4", -20.0 * np.log10(np.cos(2.0 * np.pi / 64))), ("x8", 0.0)):
        found = clip(x, 0.0, oversampling=oversampling).trace.max_db[2:-2]
        np.testing.assert_allclose(found, 6.0 - missed_db, atol=1e-4)


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


@pytest.mark.parametrize("factor", [4, 8])
def test_every_run_has_frames_enough_for_the_taps(monkeypatch, factor):
    # Compiled loops do not look whether an index lies inside.
    room, clip_runs, reach = [], kernels.clip_runs, UP[factor].reach

    def watched(flat, starts, stops, *more):
        if starts.size:
            room.append((starts.min() + 1 - reach, flat.size // 2 - stops.max() - reach))
        return clip_runs(flat, starts, stops, *more)

    monkeypatch.setattr(kernels, "clip_runs", watched)
    clip(noise(0.5, RATE, 12.0).astype(np.float32), -6.0, 20.0, f"x{factor}")
    assert len(room) > 1
    assert min(map(min, room)) >= 0


@pytest.mark.parametrize("factor", [4, 8])
def test_plain_python_and_compiled_loops_agree(factor):
    x = noise(400 / RATE, RATE, 0.0)
    up = interpolator(factor, 4, 3.0)
    down = np.ascontiguousarray(DOWN[factor][:, 68:76])
    phases = scratch(up, 2, np.float64)[:, :84].copy()
    starts, stops = np.array([30, 120]), np.array([90, 170])
    results = []
    for clip_runs, add in (
        (kernels.clip_runs, kernels.add_residual),
        (kernels.clip_runs.py_func, kernels.add_residual.py_func),
    ):
        residual, peak, loss, y = np.zeros((2, 200)), np.zeros(2), np.zeros((2, 2)), np.zeros((100, 2))
        clip_runs(
            x.reshape(-1), starts, stops, up.mirrored, down, 0.5, 0.1, kernels.BY_PARABOLA, phases, np.zeros(84), 10,
            residual, 40, 150, 400, 480, peak, loss,
        )  # fmt: skip
        add(x, 50, residual, 40, y)
        results.append((residual, peak, loss, y))
    assert (results[0][1] > 0.5).all()
    for a, b in zip(*results, strict=True):
        np.testing.assert_allclose(a, b, rtol=1e-13, atol=1e-15)
    for u in (-2.0, -0.9, 0.3, 0.5, 1.0, 1.6):
        for number, curve in enumerate((PARABOLA, TANH, CUBIC)):
            bent = kernels.bend(u, 1.0, 0.4, number)
            assert bent == pytest.approx(kernels.bend.py_func(u, 1.0, 0.4, number), abs=1e-15)
            assert bent == pytest.approx(float(clipping_curve(u, 1.0, 80.0, curve)), abs=1e-15)
