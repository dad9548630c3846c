import numpy as np
import pytest

from autochain.audio.signals import noise, sine
from autochain.chain import _transient_kernels as kernels
from autochain.chain.transient import STAGE, group_frames

RATE = 44100


def shape(x, onset_db=0.0, body_db=0.0, window_ms=20.0, rate_hz=RATE):
    settings = STAGE.checked({"onset_db": onset_db, "body_db": body_db, "window_ms": window_ms})
    return STAGE.process(x, rate_hz, settings)


def drum(seconds=1.0, hit_s=0.3, rate_hz=RATE):
    """A tone of 200 Hz that decays by 60 dB in 0.5 s over a quiet bed."""
    t = np.arange(round(seconds * rate_hz)) / rate_hz - hit_s
    hit = np.where(t >= 0.0, np.sin(2.0 * np.pi * 200.0 * t) * 10.0 ** (-6.0 * np.maximum(t, 0.0)), 0.0)
    bed = 0.003 * np.sin(2.0 * np.pi * 440.0 * t)
    return np.repeat((0.5 * hit + bed)[:, None], 2, axis=1)


def level_change_db(y, x, start_s, stop_s, rate_hz=RATE):
    part = slice(round(start_s * rate_hz), round(stop_s * rate_hz))
    return 10.0 * np.log10(np.sum(y[part] ** 2) / np.sum(x[part] ** 2))


@pytest.mark.parametrize("onset_db", [4.0, -4.0])
def test_onset_changes_the_hit_and_leaves_its_decay(onset_db):
    x = drum()
    y = shape(x, onset_db=onset_db).samples
    # the envelope jumps by 44 dB, so the first milliseconds get all of the set gain
    assert level_change_db(y, x, 0.3, 0.31) == pytest.approx(onset_db, abs=0.01)
    assert abs(level_change_db(y, x, 0.4, 0.6)) < 0.02
    assert abs(level_change_db(y, x, 0.1, 0.29)) < 0.02


@pytest.mark.parametrize("body_db", [4.0, -4.0])
def test_body_changes_the_decay_and_leaves_the_hit(body_db):
    x = drum()
    y = shape(x, body_db=body_db).samples
    # closed form: a one-pole follower of 20 ms lags a fall of 120 dB/s by 120 * 0.020 = 2.4 dB, so the gain
    # is 2.4 / 6 of the set value; 0.15 dB for the stairs that the hold makes
    assert level_change_db(y, x, 0.42, 0.55) == pytest.approx(body_db * 0.4, abs=0.15)
    assert abs(level_change_db(y, x, 0.3, 0.31)) < 0.02


@pytest.mark.parametrize("frequency_hz", [41.0, 60.0, 440.0, 3000.0, 15000.0])
def test_steady_sine_is_left_alone(frequency_hz):
    x = sine(frequency_hz, 1.0, RATE, -12.0)
    y = shape(x, 6.0, 6.0).samples
    steady = slice(RATE // 2, None)
    # 0.001 dB: the rest of the one-pole's approach, and samples that miss the crest a little differently
    np.testing.assert_allclose(y[steady], x[steady], atol=0.25 * 1.2e-4)


@pytest.mark.parametrize("scale", [0.001, 0.3, 4.0])
def test_scaling_the_input_scales_the_output(scale):
    x = drum() + noise(1.0, RATE, -50.0)
    x[:5000] = 0.0  # a pause of no level at all before
    y = shape(x, 5.0, 3.0).samples
    np.testing.assert_allclose(shape(x * scale, 5.0, 3.0).samples, y * scale, atol=1e-12)


def test_a_longer_window_lets_the_onset_last_longer():
    x = drum()
    short = level_change_db(shape(x, 6.0, window_ms=5.0).samples, x, 0.32, 0.34)
    long = level_change_db(shape(x, 6.0, window_ms=60.0).samples, x, 0.32, 0.34)
    # limits of this project: 20 ms behind the hit the short one leaves nearly nothing of 6 dB, the long one most
    assert short < 1.0
    assert long > 4.0


def test_gain_stays_within_the_set_values():
    x = noise(1.0, RATE, -12.0) * (1.0 + (np.arange(RATE) % 5000 < 300))[:, None]
    y = shape(x, 5.0, -3.0).samples
    gain_db = 20.0 * np.log10(y / x)
    assert gain_db.max() <= 5.0 + 1e-9
    assert gain_db.min() >= -3.0 - 1e-9
    assert gain_db.max() > 4.0
    assert gain_db.min() < -0.2


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_neutral_is_the_input_bit_for_bit(dtype):
    x = noise(0.2, RATE).astype(dtype)
    out = STAGE.process(x, RATE, STAGE.checked(STAGE.neutral))
    assert out.samples.tobytes() == x.tobytes()
    assert not out.trace.max_db.any()
    assert shape(x, 3.0, -2.0).samples.dtype == dtype


def test_trace_is_negative_where_level_is_added():
    trace = shape(drum(), 4.0, -3.0).trace
    assert trace.max_db.shape == (100,)
    assert trace.max_db[30] == pytest.approx(-4.0, abs=0.01)
    assert trace.mean_db[30] == pytest.approx(-4.0, abs=0.05)
    assert abs(trace.mean_db[20]) < 0.05
    # 2.4 of 6 dB, as in the test of the body
    assert trace.mean_db[42:55].mean() == pytest.approx(1.2, abs=0.15)


@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000, 192000])
def test_stated_latency_is_how_far_a_change_reaches_back(rate_hz):
    n, at = round(0.2 * rate_hz), round(0.1 * rate_hz)
    x = 0.01 * 10.0 ** (5.0 * np.arange(n)[:, None] / rate_hz)  # rising by 100 dB/s, so every frame counts
    y = shape(x, 6.0, rate_hz=rate_hz).samples
    back = []
    for place in range(at, at + group_frames(rate_hz)):
        changed = x.copy()
        changed[place] *= 3.0
        different = shape(changed, 6.0, rate_hz=rate_hz).samples != y
        back.append(place - np.flatnonzero(different)[0])
    assert max(back) == STAGE.latency_samples(rate_hz, {})


def test_swapped_channels_give_swapped_output_and_silence_stays_silence():
    x = noise(0.2, RATE, -6.0) * [1.0, 0.3]
    np.testing.assert_array_equal(shape(x[:, ::-1].copy(), 4.0).samples, shape(x, 4.0).samples[:, ::-1])
    silent = shape(np.zeros((2000, 2), np.float32), 6.0, 6.0)
    assert not silent.samples.any()
    assert not silent.trace.max_db.any()
    assert shape(np.zeros((0, 2), np.float32), 6.0).samples.shape == (0, 2)


@pytest.mark.parametrize("gain_db", [-6.0, 6.0])
@pytest.mark.parametrize("window_ms", [5.0, 60.0])
@pytest.mark.parametrize("channels", [1, 2])
def test_finite_at_the_range_ends_and_input_untouched(gain_db, window_ms, channels):
    x = np.concatenate((noise(0.05, RATE, 0.0, channels), np.zeros((3000, channels)))).astype(np.float32)
    before = x.copy()
    out = shape(x, gain_db, -gain_db, window_ms)
    for values in (out.samples, out.trace.max_db, out.trace.mean_db):
        assert np.isfinite(values).all()
    np.testing.assert_array_equal(x, before)
    assert out.samples.tobytes() == shape(x, gain_db, -gain_db, window_ms).samples.tobytes()
    assert np.isfinite(shape(x[:1], gain_db).samples).all()


def test_plain_python_and_compiled_loops_agree():
    x = noise(500 / RATE, RATE, -6.0)
    bits, mask = x.reshape(-1).view(np.int64), np.int64(np.iinfo(np.int64).max)
    results = []
    for peaks, follow, apply_nodes in (
        (kernels.group_peaks, kernels.follow, kernels.apply_nodes),
        (kernels.group_peaks.py_func, kernels.follow.py_func, kernels.apply_nodes.py_func),
    ):
        peak, asked, y, gains = np.zeros(63), np.zeros(63), np.zeros_like(x), np.zeros((3, 2))
        begun, state, hop = np.zeros(2, np.int64), np.full(2, -200.0), np.array([0.0, np.inf, 0.0])
        counts = [peaks(bits, mask, 16, begun, peak.view(np.int64))]
        peak[62] = begun[1:].view(np.float64)[0]
        follow(20.0 * np.log10(peak), 0.1, 0.05, 24.0, 6.0, 0.3, -0.2, state, asked)
        nodes = np.append(1.0 + asked, [1.0, 1.0])
        flat = x.reshape(-1)
        counts.append(apply_nodes(flat, 0.5 * flat, 2, nodes, 3, 8, np.zeros(441), hop, y.reshape(-1), gains))
        results.append((peak, begun, asked, state, y, hop, gains[:, :1], np.array(counts)))
    for a, b in zip(*results, strict=True):
        np.testing.assert_allclose(a, b, rtol=1e-14)
    np.testing.assert_array_equal(results[0][0][:62], np.abs(x[:496]).reshape(62, 16).max(axis=1))
    assert list(results[0][-1]) == [62, 1]
