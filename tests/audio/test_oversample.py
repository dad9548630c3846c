import numpy as np
import pytest

from autochain.audio import _oversample_kernels as kernels
from autochain.audio.oversample import BLOCK_FRAMES, Watch, decimator, interpolator, margin, upsample
from autochain.audio.signals import noise, sine
from tests.downsampled import downsample

LONG = interpolator(4, 36, 10.06)
SHORT = interpolator(4, 36, 3.0)


def runs_above(x, limit, filter_):
    """Runs of a whole signal with silence around it."""
    before = margin(filter_)
    last = -(-x.shape[0] // BLOCK_FRAMES) * BLOCK_FRAMES
    padded = np.zeros((before + last + before, x.shape[1]), x.dtype)
    padded[before : before + x.shape[0]] = x
    watch = Watch(filter_, *padded.shape, padded.dtype)
    starts, stops = watch.runs(padded, before, before + last, limit)
    return starts - before, np.minimum(stops - before, x.shape[0])


def outside(runs, frames):
    left_out = np.ones(frames, bool)
    for start, stop in zip(*runs, strict=True):
        left_out[start:stop] = False
    return left_out


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_every_fourth_point_is_the_input_bit_for_bit(dtype):
    x = noise(0.05, 44100).astype(dtype)
    up = upsample(x, LONG)
    assert up.dtype == dtype
    np.testing.assert_array_equal(up[::4], x)


@pytest.mark.parametrize("frequency_hz", [50.0, 1000.0, 11025.0, 19000.0, 20000.0])
def test_quarter_points_of_a_sine_lie_on_the_sine(frequency_hz):
    # closed form: the sine itself at the new points; the filter is flat within 0.001 dB (1.2e-4) to 20 kHz
    x = sine(frequency_hz, 0.1, 44100, phase_deg=20.0, channels=1)
    ideal = sine(frequency_hz, 0.1, 4 * 44100, phase_deg=20.0, channels=1)
    middle = slice(400, -400)
    np.testing.assert_allclose(upsample(x, LONG)[middle], ideal[middle], atol=1.2e-4)


def test_images_of_the_pass_band_are_100_db_down_at_44100_hz():
    prototype = np.zeros(8 * LONG.reach)
    prototype[4 * LONG.reach] = 1.0
    for p in range(3):  # the taps of the three rows, and the one of the row that passes the input
        prototype[p + 1 :: 4] = LONG.taps[2 - p]
    response = 20.0 * np.log10(np.abs(np.fft.rfft(prototype / 4.0, 1 << 16)) + 1e-12)
    f = np.arange(response.size) / (1 << 16) * 4 * 44100
    assert np.abs(response[f <= 20000]).max() < 0.001
    # images of content up to 20 kHz begin at 44.1 - 20 = 24.1 kHz
    assert response[f >= 24100].max() <= -100.0


@pytest.mark.parametrize("interpolator", [LONG, SHORT])
@pytest.mark.parametrize("kind", ["noise", "low tone and noise", "flipped alternation", "impulses", "steps"])
def test_no_point_outside_the_runs_exceeds_the_limit(interpolator, kind):
    n = 6000
    rng = np.random.default_rng(7)
    flipped = np.resize([1.0, -1.0], n) * np.where(np.arange(n) < n // 2, 1.0, -1.0)
    x = {
        "noise": noise(n / 44100, 44100, -12.0),
        "low tone and noise": sine(90.0, n / 44100, 44100) + 0.02 * rng.standard_normal((n, 2)),
        # the sign change in an alternating run makes the largest peak between samples that there is
        "flipped alternation": flipped[:, None],
        "impulses": np.where(rng.random((n, 2)) < 0.01, 1.0, 0.0),
        "steps": np.sign(rng.standard_normal((n // 50, 2))).repeat(50, axis=0),
    }[kind]
    x = np.ascontiguousarray(x, np.float32)
    points = np.abs(upsample(x, interpolator)).reshape(n, -1).max(axis=1)
    for limit in np.quantile(points, [0.2, 0.8, 0.99]):
        left_out = outside(runs_above(x, float(limit), interpolator), n)
        assert not (points[left_out] > limit).any()


def test_the_bound_leaves_most_of_a_low_tone_out():
    # closed form: a sine spends acos(0.9) / (pi / 2) = 29 % of its time above 0.9 of its peak
    x = sine(50.0, 1.0, 44100).astype(np.float32)
    left_out = outside(runs_above(x, 0.9, LONG), x.shape[0])
    assert 0.64 < left_out.mean() <= 0.72


def test_the_step_out_of_the_signal_counts():
    # closed form: a band-limited step overshoots by 9 % of its height on both sides (Gibbs)
    x = np.ones((160, 1))
    points = np.abs(upsample(x, LONG)).reshape(160, -1).max(axis=1)
    assert points[-3:].max() > 1.05
    assert points[60:100].max() < 1.03
    assert not outside(runs_above(x, 1.05, LONG), 160)[[0, -1]].any()


@pytest.mark.parametrize("frames", [1, 2, 15, 16, 17])
def test_short_signals(frames):
    x = noise(frames / 44100, 44100)
    starts, stops = runs_above(x, 1e-6, SHORT)
    assert not outside((starts, stops), frames).any()
    assert upsample(x, SHORT).shape == (4 * frames, 2)


@pytest.mark.parametrize("factor", [4, 8, 16])
def test_points_of_every_factor_lie_on_the_sine(factor):
    # closed form: the sine itself at the new points; the filter is flat within 0.001 dB (1.2e-4) to 20 kHz
    ideal = sine(19000.0, 0.1, factor * 44100, phase_deg=20.0)
    up = upsample(sine(19000.0, 0.1, 44100, phase_deg=20.0), interpolator(factor, 36, 10.06))
    middle = slice(100 * factor, -100 * factor)
    np.testing.assert_allclose(up[middle], ideal[middle], atol=1.2e-4)


@pytest.mark.parametrize("factor", [4, 8, 16])
def test_up_and_down_again_is_the_signal(factor):
    x = sine(19000.0, 0.1, 44100, phase_deg=20.0)
    back = downsample(upsample(x, interpolator(factor, 36, 10.06)), decimator(factor, 72, 10.2, 0.4768))
    # both filters within 0.001 dB (1.2e-4)
    np.testing.assert_allclose(back[200:-200], x[200:-200], atol=2.4e-4)


def test_what_lies_over_half_the_rate_does_not_come_back():
    high = sine(24000.0, 0.1, 4 * 44100)
    assert np.abs(downsample(high, decimator(4, 72, 10.2, 0.4768))[200:-200]).max() < 1e-5


def test_plain_python_and_compiled_loops_agree():
    x = noise(100 / 44100, 44100)
    flat = np.pad(x, ((40, 40), (0, 0))).reshape(-1)
    # A product and a sum may be rounded at once where a machine can; points are at most 2.
    close = {"rtol": 0.0, "atol": 1e-14}
    for filter_ in (SHORT, interpolator(8, 4, 3.0)):
        up, again = np.zeros((2, filter_.factor, 120))
        kernels.interpolate(flat, 2, 60, 60, filter_.mirrored, up)
        kernels.interpolate.py_func(flat, 2, 60, 60, filter_.mirrored, again)
        np.testing.assert_allclose(up, again, **close)
    out, other = np.zeros((400, 2)), np.zeros((400, 2))
    phases = np.zeros((4, 120))
    kernels.interpolate_all(flat, 40, SHORT.mirrored, 60, phases, out)
    kernels.interpolate_all.py_func(flat, 40, SHORT.mirrored, 60, phases, other)
    np.testing.assert_allclose(out, other, **close)


def test_mirrored_taps_are_the_taps():
    """Against the plain sum over all taps."""
    x = noise(100 / 44100, 44100, channels=1)[:, 0]
    for filter_ in (SHORT, interpolator(8, 4, 3.0)):
        factor, reach = filter_.factor, filter_.reach
        up = upsample(x[:, None], filter_).reshape(-1, factor)
        for n in (40, 55):
            around = x[n - reach + 1 : n + reach + 1]
            np.testing.assert_allclose(up[n, 1:], filter_.taps @ around, rtol=0.0, atol=1e-14)


def test_plain_python_and_compiled_bounds_agree():
    x = noise(100 / 44100, 44100)
    flat = np.ascontiguousarray(x[:96]).reshape(-1)
    results = np.zeros((2, 2, 6))
    mask = np.int64(np.iinfo(np.int64).max)
    for result, loop in zip(results, (kernels.block_levels, kernels.block_levels.py_func), strict=True):
        bend = np.zeros(128)  # four of the six blocks at a time
        level, curve = result.view(np.int64)
        loop(flat, flat.view(np.int64), bend, bend.view(np.int64), mask, 2, 16, level, curve)
    np.testing.assert_array_equal(results[0], results[1])
    # by definition
    blocks = np.abs(x[:96]).reshape(6, 32).max(axis=1)
    np.testing.assert_array_equal(results[0, 0], blocks)
    bends = np.abs(np.diff(x[:96], 2, axis=0))[15:79]  # the first of them stands for frame 16
    np.testing.assert_allclose(results[0, 1, 1:5], bends.reshape(4, 32).max(axis=1), rtol=1e-12)
    runs = np.zeros((2, 2, 4), np.int64)
    level, curve = results[0]
    for out, loop in zip(runs, (kernels.find_runs, kernels.find_runs.py_func), strict=True):
        out[:, 3] = loop(level, curve, 1, 5, 1, 1.5, 2.0, float(np.median(level)) * 1.5, 16, out[0], out[1],
                         0, 0.0, 0.0, 0.0, 0.0, 0.0, np.zeros(1))
    np.testing.assert_array_equal(runs[0], runs[1])


@pytest.mark.parametrize("loop", [kernels.find_runs, kernels.find_runs.py_func])
def test_a_block_behind_a_higher_one_is_left_out_until_little_is_left_of_what_that_one_needs(loop):
    # closed form: 2 over 1 needs half; of that 0.8 is left a block later, and a need counts as a block later still.
    # 1.25 needs a fifth: 0.5 * 0.8^4 = 0.2048 covers it, 0.5 * 0.8^5 = 0.164 does not.
    lasting = np.zeros(1)
    for kept, second, last in ((0.8, 4, 1), (0.8, 5, 5), (0.0, 4, 4)):
        level, curve, found = np.zeros(12), np.zeros(12), np.zeros((2, 6), np.int64)
        level[1] = 2.0
        level[second] = 1.25
        lasting[0] = 0.0
        count = loop(level, curve, 1, 10, 0, 1.0, 1.0, 0.9, 16, *found, 0, 1.0, 1.0, 1.0, 1.0, kept, lasting)
        assert found[1, count - 1] == 16 * (last + 1)
    # what is left goes on in the next window
    lasting[0] = 0.0
    loop(level, curve, 1, 3, 0, 1.0, 1.0, 0.9, 16, *found, 0, 1.0, 1.0, 1.0, 1.0, 0.8, lasting)
    assert lasting[0] == pytest.approx(0.5 * 0.8)
