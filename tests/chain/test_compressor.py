import numpy as np
import pytest
from scipy import optimize, signal

from autochain.chain import _compressor_kernels as kernels
from autochain.chain.compressor import BUS, PEAK
from autochain.chain.gain_control import FALLS_STRAIGHT, Gain, GainComputer
from autochain.chain.settings import StageSettings
from autochain.chain.sidechain import Sidechain, peak_reductions_db, render
from autochain.chain.stage import Processed
from autochain.resources import read_table

RATE_HZ = 48000
TABLE = read_table("compressor.toml")
NOISE = 0.3 * np.random.default_rng(41).standard_normal((30000, 2)).astype(np.float32)
GLUE = {"threshold_db": -20.0, "ratio": 2.0, "knee_db": 6.0, "attack_ms": 20.0, "release_ms": 150.0}
# Giannoulis, Massberg, Reiss (2012), equation 4, evaluated independently: shared/compressor.toml
CURVE_POINTS = [
    (curve["ratio"], curve["knee_db"], level_db, reduction_db)
    for curve in TABLE["static"]["curve"]
    for level_db, reduction_db in zip(TABLE["static"]["level_db"], curve["reduction_db"], strict=True)
]


def static_reduction_db(level_db, *, threshold_db, ratio, knee_db):
    """Reduction at a steady level, in dB: equation 4."""
    over, slope = level_db - threshold_db, 1.0 - 1.0 / ratio
    if 2.0 * over <= -knee_db:
        return 0.0
    if 2.0 * over < knee_db:
        return slope * (over + knee_db / 2.0) ** 2 / (2.0 * knee_db)
    return slope * over


def sidechain_level_db(samples, rate_hz, sidechain_hpf_hz=0.0, **settings):
    """Level that steers the gain, in one piece: one row, or with a link under 100 % one a channel."""
    settings = BUS.checked({"sidechain_hpf_hz": sidechain_hpf_hz, **settings})
    found = Sidechain.of(samples, rate_hz, settings).level_db
    return found[0] if found.shape[0] == 1 else found


def smoothed_reduction_db(level_db, rate_hz, *, release_shape="holds", **computer):
    found = np.empty((1, level_db.size), dtype=np.float32)
    GainComputer(rate_hz, 1, StageSettings({**computer, "release_shape": release_shape})).follow(level_db[None], found)
    return found[0]


def apply_reduction(samples, rate_hz, reduction_db):
    gain, output = Gain(rate_hz, 1), np.empty_like(samples)
    gain.apply(samples, reduction_db[None], output)
    return Processed(samples=output, trace=gain.trace)


def sine(freq_hz: float, peak_dbfs: float, seconds: float = 1.0) -> np.ndarray:
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    return (10 ** (peak_dbfs / 20) * np.sin(2 * np.pi * freq_hz * t))[:, None]


@pytest.mark.parametrize(("ratio", "knee_db", "level_db", "reduction_db"), CURVE_POINTS)
def test_static_curve_equals_the_table(ratio, knee_db, level_db, reduction_db):
    curve = {"threshold_db": TABLE["static"]["threshold_db"], "ratio": ratio, "knee_db": knee_db}
    # four decimals in the table
    assert static_reduction_db(level_db, **curve) == pytest.approx(reduction_db, abs=5e-5)
    steady = np.full(RATE_HZ, level_db, dtype=np.float32)
    settled = smoothed_reduction_db(steady, RATE_HZ, **curve, attack_ms=1.0, release_ms=50.0)[-1]
    assert settled == pytest.approx(reduction_db, abs=5e-5)


@pytest.mark.parametrize("attack_ms", [0.1, 1.0, 20.0, 100.0])
@pytest.mark.parametrize("level_db", [-21.0, -10.0])
def test_steady_sine_is_reduced_by_what_the_curve_says_at_its_peak(attack_ms, level_db):
    level = sidechain_level_db(sine(997.0, level_db, 2.0), RATE_HZ, 0.0)
    found = smoothed_reduction_db(level, RATE_HZ, **{**GLUE, "attack_ms": attack_ms, "release_ms": 300.0})
    expected = static_reduction_db(level_db, threshold_db=-20.0, ratio=2.0, knee_db=6.0)
    # Between two peaks of the tone the release gives back 0.5 ms / 300 ms, under 0.2 % of 5 dB.
    assert found[-RATE_HZ // 10 :].mean() == pytest.approx(expected, abs=0.01)


def step_times_ms(attack_ms, release_ms, rate_hz=RATE_HZ, release_shape="holds") -> tuple[float, float]:
    """Rise to 63.2 % and fall to 36.8 % of a 10 dB step of wanted reduction."""
    level = np.full(4 * rate_hz, -60.0, dtype=np.float32)
    level[: 2 * rate_hz] = 0.0
    curve = {"threshold_db": -20.0, "ratio": 2.0, "knee_db": 0.0}
    times = {"attack_ms": attack_ms, "release_ms": release_ms}
    found = smoothed_reduction_db(level, rate_hz, **curve, **times, release_shape=release_shape)
    rise = int(np.argmax(found >= 10 * (1 - np.exp(-1)))) + 1
    fall = int(np.argmax(found[2 * rate_hz :] <= 10 * np.exp(-1))) + 1
    return 1e3 * rise / rate_hz, 1e3 * fall / rate_hz


@pytest.mark.parametrize("release_shape", ["holds", "follows"])
def test_step_response_equals_the_table(release_shape):
    row = TABLE["step"]
    times = step_times_ms(row["attack_ms"], row["release_ms"], row["rate_hz"], release_shape)
    # Giannoulis, Massberg, Reiss (2012), equations 17 and 16, evaluated independently; one sample is 0.02 ms
    assert times[0] == pytest.approx(row[release_shape]["rise_63_ms"], abs=0.025)
    assert times[1] == pytest.approx(row[release_shape]["fall_37_ms"], abs=0.025)


@pytest.mark.parametrize(("attack_ms", "release_ms"), [(0.1, 20.0), (20.0, 150.0), (100.0, 30.0)])
def test_step_response_of_the_one_that_follows_is_the_stated_times(attack_ms, release_ms):
    rise_ms, fall_ms = step_times_ms(attack_ms, release_ms, release_shape="follows")
    # Closed form: one one-pole smoother at a time; rounded up to a sample of 0.021 ms, counting the first one.
    assert rise_ms == pytest.approx(attack_ms, abs=0.045)
    assert fall_ms == pytest.approx(release_ms, abs=0.045)


@pytest.mark.parametrize(
    ("attack_ms", "release_ms"), [(0.1, 20.0), (1.0, 60.0), (20.0, 150.0), (100.0, 30.0)]
)
def test_step_response_follows_the_closed_form(attack_ms, release_ms):
    rise_ms, fall_ms = step_times_ms(attack_ms, release_ms)

    def fall(t):  # two one-pole smoothers in a row, both full at t = 0
        parts = release_ms * np.exp(-t / release_ms) - attack_ms * np.exp(-t / attack_ms)
        return parts / (release_ms - attack_ms)

    # Closed form; the found time is rounded up to a sample of 0.021 ms and counts the first one.
    assert rise_ms == pytest.approx(attack_ms, abs=0.045)
    expected = optimize.brentq(lambda t: fall(t) - np.exp(-1), 1e-3, 1e4)
    assert fall_ms == pytest.approx(expected, abs=0.045)


@pytest.mark.parametrize("release_ms", [20.0, 150.0])
def test_a_straight_release_falls_10_db_in_the_stated_time(release_ms):
    level = np.full(2 * RATE_HZ, -60.0, dtype=np.float32)
    level[:RATE_HZ] = 10.0
    curve = {"threshold_db": -20.0, "ratio": 2.0, "knee_db": 0.0, "attack_ms": 1.0, "release_ms": release_ms}
    found = smoothed_reduction_db(level, RATE_HZ, **curve, release_shape=FALLS_STRAIGHT)
    t = 1e3 * np.arange(1, RATE_HZ + 1) / RATE_HZ
    fall = 10.0 / release_ms
    # W3C Web Audio API, DynamicsCompressorNode: release is the time to raise the gain by 10 dB. Closed form of a
    # straight line through the one pole of the attack, until the line reaches 0.
    expected = 15.0 - fall * (t - 1.0 + np.exp(-t))
    falling = t < 15.0 / fall
    # 0.01: a frame more or less of fall, and float32
    np.testing.assert_allclose(found[RATE_HZ:][falling], expected[falling], atol=0.01)
    assert found[-1] < 1e-6


def test_level_is_the_louder_channel_in_dbfs():
    found = sidechain_level_db(NOISE, RATE_HZ, 0.0)
    expected = 20 * np.log10(np.abs(NOISE.astype(np.float64)).max(axis=1))
    assert found.dtype == np.float32
    assert np.abs(found - expected).max() < 0.0002
    exact = sidechain_level_db(np.array([[1.0, 0.0], [0.25, -0.5], [0.0, 0.0]]), RATE_HZ, 0.0)
    assert exact == pytest.approx([0.0, -6.0206, -200.0], abs=1e-4)


def test_level_behind_the_high_pass_equals_scipys_filter():
    b, a = signal.butter(2, 90.0, "high", fs=RATE_HZ)
    filtered = np.abs(signal.lfilter(b, a, NOISE.astype(np.float64), axis=0)).max(axis=1)
    found = sidechain_level_db(NOISE, RATE_HZ, 90.0)
    audible = filtered > 1e-6
    assert np.abs(found - 20 * np.log10(filtered))[audible].max() < 0.0003


def test_gain_is_the_reduction_within_a_few_ten_thousandths_of_a_db():
    reduction = np.linspace(0.0, 120.0, 100001).astype(np.float32)
    found = apply_reduction(np.ones((reduction.size, 1)), RATE_HZ, reduction).samples[:, 0]
    assert np.abs(20 * np.log10(found) + reduction).max() < 0.0002
    assert found[0] == 1.0


def test_trace_holds_the_largest_reduction_and_the_mean_gain_of_every_block():
    reduction = np.abs(np.random.default_rng(42).standard_normal(1000)).astype(np.float32)
    trace = apply_reduction(NOISE[:1000], RATE_HZ, reduction).trace
    blocks = [reduction[start : start + 480] for start in (0, 480, 960)]
    assert trace.max_db == pytest.approx([block.max() for block in blocks])
    mean_db = [-20 * np.log10(np.mean(10 ** (-block.astype(float) / 20))) for block in blocks]
    assert trace.mean_db == pytest.approx(mean_db, abs=1e-5)


@pytest.mark.parametrize("block_frames", [480, 19200, 100000])
@pytest.mark.parametrize("extra", [{}, {"link_percent": 40.0, "lookahead_ms": 3.0}])
def test_block_maxima_are_those_of_the_trace(block_frames, extra):
    settings = BUS.checked({**GLUE, **extra})
    sidechain = Sidechain.of(NOISE, RATE_HZ, settings)
    (found,) = peak_reductions_db([sidechain], settings, block_frames)
    reduction = np.empty_like(sidechain.level_db)
    GainComputer(RATE_HZ, reduction.shape[0], settings).follow(sidechain.level_db, reduction)
    trace = reduction[:, sidechain.lookahead :].max(axis=0)
    assert trace.size == NOISE.shape[0]
    expected = [trace[s : s + block_frames].max() for s in range(0, trace.size, block_frames)]
    assert np.array_equal(found, expected)


def test_side_chain_high_pass_keeps_a_50_hz_tone_from_driving_the_bus_compressor():
    tone = sine(50.0, -6.0)

    def work(hpf_hz: float) -> float:
        settings = BUS.checked({**GLUE, "sidechain_hpf_hz": hpf_hz})
        return float(BUS.process(tone, RATE_HZ, settings).trace.max_db.max())

    # That the high-pass keeps the kick from pumping the mix: common practice, no source.
    # Closed form: a 90 Hz Butterworth takes 10.60 dB off 50 Hz, half of which the ratio of 2 gives back.
    assert work(0.0) - work(90.0) == pytest.approx(10 * np.log10(1 + (90 / 50) ** 4) / 2, abs=0.25)


def test_both_channels_get_one_gain():
    stereo = np.hstack([sine(300.0, -6.0), sine(500.0, -30.0)])
    out = PEAK.process(stereo, RATE_HZ, PEAK.checked({"threshold_db": -20.0})).samples
    inner = np.abs(stereo).min(axis=1) > 1e-3
    gains = out[inner] / stereo[inner]
    assert gains[:, 0].min() < 0.5
    assert np.abs(gains[:, 0] - gains[:, 1]).max() < 1e-12


@pytest.mark.parametrize("stage", [BUS, PEAK])
@pytest.mark.parametrize("channels", [1, 2])
def test_neutral_is_the_identity_bit_for_bit(stage, channels):
    samples = np.ascontiguousarray(NOISE[:, :channels])
    result = stage.process(samples, RATE_HZ, stage.checked(stage.neutral.with_(threshold_db=-60.0)))
    assert np.array_equal(result.samples, samples)
    assert not result.trace.max_db.any()
    assert result.trace.max_db.size == 63


@pytest.mark.parametrize("stage", [BUS, PEAK])
def test_below_the_knee_nothing_is_touched(stage):
    quiet = (0.0005 * NOISE).astype(np.float32)
    settings = stage.checked({"threshold_db": -40.0, "knee_db": 12.0})
    assert np.array_equal(stage.process(quiet, RATE_HZ, settings).samples, quiet)


@pytest.mark.parametrize("stage", [BUS, PEAK])
@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_every_range_end_is_finite_repeatable_and_keeps_the_input(stage, dtype):
    samples = NOISE[:5000].astype(dtype)
    kept = samples.copy()
    for parameter in stage.parameters:
        for value in parameter.choices or (parameter.low, parameter.high):
            settings = stage.checked({"threshold_db": -40.0, parameter.name: value})
            first = stage.process(samples, RATE_HZ, settings)
            assert first.samples.dtype == dtype
            assert np.isfinite(first.samples).all()
            assert np.isfinite(first.trace.mean_db).all()
            assert (np.abs(first.samples) <= np.abs(samples)).all()
            assert first.samples.tobytes() == stage.process(samples, RATE_HZ, settings).samples.tobytes()
    assert np.array_equal(samples, kept)


@pytest.mark.parametrize("stage", [BUS, PEAK])
@pytest.mark.parametrize("extra", [{}, {"link_percent": 30.0, "detector": "rms"}])
def test_swapped_channels_give_swapped_output(stage, extra):
    settings = stage.checked({"threshold_db": -30.0, **extra})
    swapped = stage.process(np.ascontiguousarray(NOISE[:, ::-1]), RATE_HZ, settings).samples[:, ::-1]
    assert np.array_equal(swapped, stage.process(NOISE, RATE_HZ, settings).samples)


@pytest.mark.parametrize("stage", [BUS, PEAK])
def test_silence_stays_silence(stage):
    silence = np.zeros((3000, 2), dtype=np.float32)
    result = stage.process(silence, RATE_HZ, stage.checked({"threshold_db": -60.0}))
    assert not result.samples.any()
    assert not result.trace.max_db.any()


def test_slow_attack_lets_a_hit_through():
    burst = np.concatenate([np.zeros((4800, 1)), sine(1000.0, -3.0, 0.2)])
    peaks = []
    for attack_ms in (1.0, 100.0):
        settings = BUS.checked({**GLUE, "attack_ms": attack_ms})
        peaks.append(np.abs(BUS.process(burst, RATE_HZ, settings).samples[5040:5280]).max())
    # Closed form: 5 to 10 ms into the hit a 100 ms attack has done 5 to 10 % of its work, a 1 ms attack
    # all of it; the curve takes 8.5 dB off -3 dBFS, a ratio of at least 2.3.
    assert peaks[1] > 2.2 * peaks[0]


def process(stage, samples, **settings):
    return stage.process(samples, RATE_HZ, stage.checked(settings))


def at_levels(*levels_dbfs: float, seconds: float = 1.0) -> np.ndarray:
    """Constant values, whose level needs no window: one channel for each level."""
    return np.full((round(seconds * RATE_HZ), len(levels_dbfs)), 10.0 ** (np.array(levels_dbfs) / 20.0))


def test_the_one_that_follows_settles_lower_on_a_tone():
    level = sidechain_level_db(sine(100.0, 0.0, 2.0), RATE_HZ)
    computer = {**GLUE, "attack_ms": 50.0}
    held, followed = (
        smoothed_reduction_db(level, RATE_HZ, **computer, release_shape=shape)[RATE_HZ:].mean()
        for shape in ("holds", "follows")
    )
    wanted = [static_reduction_db(v, threshold_db=-20.0, ratio=2.0, knee_db=6.0) for v in level[RATE_HZ:]]
    # It rises and falls toward what is wanted at every instant, at rates 1/50 and 1/150 ms: it settles where both
    # balance, which lies between the mean of the wanted and its peak (closed form of the balance).
    balance = optimize.brentq(
        lambda y: np.mean([(w - y) / (50.0 if w > y else 150.0) for w in wanted[: RATE_HZ // 100]]), 0.0, 10.0
    )
    assert followed == pytest.approx(balance, abs=0.05)
    assert followed < held - 0.2


@pytest.mark.parametrize("frequency_hz", [100.0, 997.0])
@pytest.mark.parametrize("rms_ms", [10.0, 100.0])
def test_rms_reads_3_01_db_lower_on_a_sine(frequency_hz, rms_ms):
    tone = sine(frequency_hz, -6.0, 2.0)
    peak = sidechain_level_db(tone, RATE_HZ)[RATE_HZ:].max()
    rms = sidechain_level_db(tone, RATE_HZ, detector="rms", rms_ms=rms_ms)[RATE_HZ:]
    # Closed form: 10 log10 2; and of the one-pole's ripple at twice the frequency, as a share of the mean.
    assert peak - 10 * np.log10(np.mean(10 ** (rms / 10))) == pytest.approx(10 * np.log10(2.0), abs=0.001)
    ripple = 1 / np.sqrt(1 + (4 * np.pi * frequency_hz * rms_ms * 1e-3) ** 2)
    assert rms.max() - peak == pytest.approx(10 * np.log10((1 + ripple) / 2), abs=0.01)


def test_rms_window_is_its_63_percent_time():
    level = sidechain_level_db(at_levels(0.0), RATE_HZ, detector="rms", rms_ms=20.0)
    assert np.argmax(level >= 10 * np.log10(1 - np.exp(-1))) == pytest.approx(0.020 * RATE_HZ, abs=1.5)


def test_link_of_0_leaves_a_quiet_channel_untouched_and_treats_each_as_mono():
    loud, quiet = sine(300.0, -3.0), sine(500.0, -40.0)
    out = process(PEAK, np.hstack([loud, quiet]), threshold_db=-20.0, link_percent=0.0)
    assert np.array_equal(out.samples[:, 1:], quiet)
    alone = process(PEAK, loud, threshold_db=-20.0)
    assert np.array_equal(out.samples[:, :1], alone.samples)
    assert np.abs(alone.samples).max() < 0.5
    assert np.array_equal(out.trace.max_db, alone.trace.max_db)


@pytest.mark.parametrize("link_percent", [0.0, 25.0, 75.0, 100.0])
def test_link_mixes_the_louder_channels_level_with_the_own_one(link_percent):
    curve = {"threshold_db": -20.0, "ratio": 2.0, "knee_db": 6.0}
    out = process(BUS, at_levels(-2.0, -18.0), **curve, sidechain_hpf_hz=0.0, attack_ms=1.0, link_percent=link_percent)
    gain_db = 20 * np.log10(out.samples[-1]) - [-2.0, -18.0]
    # Closed form: levels mixed in dB, then equation 4 of Giannoulis, Massberg, Reiss (2012).
    level_db = -2.0 - 16.0 * (1.0 - link_percent / 100.0)
    expected = [static_reduction_db(level, **curve) for level in (-2.0, level_db)]
    assert gain_db == pytest.approx([-e for e in expected], abs=0.0005)
    assert out.trace.max_db[-1] == pytest.approx(max(expected), abs=0.0005)
    mean_gain = np.mean([10 ** (-e / 20) for e in expected])
    assert out.trace.mean_db[-1] == pytest.approx(-20 * np.log10(mean_gain), abs=0.0005)


def test_look_ahead_has_turned_down_before_a_hit():
    bed, hit = 0.001, 0.5
    samples = np.full((RATE_HZ, 1), bed)
    at = RATE_HZ // 2
    samples[at:] = hit
    settings = {"threshold_db": -20.0, "ratio": 4.0, "knee_db": 0.0, "attack_ms": 1.0}
    full = static_reduction_db(20 * np.log10(hit), threshold_db=-20.0, ratio=4.0, knee_db=0.0)

    def reduction_db(lookahead_ms: float) -> np.ndarray:
        return -20 * np.log10(process(PEAK, samples, **settings, lookahead_ms=lookahead_ms).samples / samples)[:, 0]

    assert reduction_db(0.0)[at] < 0.1 * full
    ahead = reduction_db(3.0)
    # Closed form: after 3 ms an attack of 1 ms has done 1 - 1/e^3 of its work, half-way there 1 - 1/e^1.5.
    assert ahead[at - 1] == pytest.approx((1 - np.exp(-3.0)) * full, abs=0.01)
    assert ahead[at - 1 - 72] == pytest.approx((1 - np.exp(-1.5)) * full, abs=0.06)
    assert np.abs(ahead[: at - 145]).max() < 0.0002


@pytest.mark.parametrize("stage", [BUS, PEAK])
@pytest.mark.parametrize("lookahead_ms", [0.0, 0.7, 10.0])
def test_stated_latency_is_how_far_a_change_reaches_back(stage, lookahead_ms):
    settings = stage.checked({"threshold_db": -40.0, "lookahead_ms": lookahead_ms})
    quiet = 0.001 * NOISE[:5000].astype(np.float64)  # below the threshold, so that the hit moves the gain at once
    before = stage.process(quiet, RATE_HZ, settings).samples
    changed = quiet.copy()
    changed[3000] = 1.0
    after = stage.process(changed, RATE_HZ, settings).samples
    first = np.flatnonzero((before != after).any(axis=1))[0]
    assert 3000 - first == stage.latency_samples(RATE_HZ, settings)
    assert stage.latency_samples(RATE_HZ, settings.with_(ratio=1.0)) == 0


@pytest.mark.parametrize("extra", [{}, {"detector": "rms"}, {"link_percent": 50.0, "release_shape": "follows"}])
def test_scaling_input_and_threshold_together_scales_the_output(extra):
    settings = {"threshold_db": -24.0, "sidechain_hpf_hz": 90.0, **extra}
    full = process(BUS, NOISE.astype(np.float64), **settings).samples
    settings["threshold_db"] += 20 * np.log10(0.5)
    half = process(BUS, 0.5 * NOISE.astype(np.float64), **settings).samples
    assert np.abs(full - NOISE).max() > 0.05
    # The level is a float32, whose steps near -20 dB are 2e-6 dB.
    np.testing.assert_allclose(half, 0.5 * full, rtol=1e-6)


EXTRAS = [
    {},
    {"sidechain_hpf_hz": 300.0, "link_percent": 60.0},
    {"detector": "rms", "lookahead_ms": 0.3},
    {"release_shape": "follows", "lookahead_ms": 10.0, "link_percent": 0.0, "detector": "rms"},
    {"ratio": 1.0, "lookahead_ms": 5.0},
]


@pytest.mark.parametrize("extra", EXTRAS)
@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_where_blocks_are_cut_changes_no_bit(extra, channels, dtype):
    samples = np.ascontiguousarray(NOISE[:20011, :channels], dtype=dtype)
    settings = PEAK.checked({"threshold_db": -30.0, **extra})
    whole = PEAK.process(samples, RATE_HZ, settings)
    assert whole.samples.shape == samples.shape
    for size in (1, 7, 4096):
        runner = PEAK.start(RATE_HZ, channels, settings)
        part = samples[:1500] if size == 1 else samples
        blocks = [part[i : i + size] for i in range(0, part.shape[0], size)]
        found = np.concatenate([runner.push(b) for block in blocks for b in (block[:0], block)] + [runner.finish()])
        expected = PEAK.process(part, RATE_HZ, settings)
        assert found.dtype == dtype
        assert found.tobytes() == expected.samples.tobytes()
        assert runner.trace.max_db.tobytes() == expected.trace.max_db.tobytes()
        assert runner.trace.mean_db.tobytes() == expected.trace.mean_db.tobytes()


@pytest.mark.parametrize("extra", [{}, {"link_percent": 40.0, "lookahead_ms": 3.0}, {"release_shape": "follows"}])
def test_sounds_side_by_side_are_what_each_is_alone(extra):
    settings = BUS.checked({**GLUE, **extra})
    sounds = [NOISE, 0.3 * NOISE, NOISE[::-1].copy(), NOISE[:9001], 2.0 * NOISE, NOISE[500:]]
    sidechains = [Sidechain.of(x, RATE_HZ, settings) for x in sounds]
    together = render(sidechains, sounds, settings)
    maxima = peak_reductions_db(sidechains, settings, 480)
    for side, x, found, peaks in zip(sidechains, sounds, together, maxima, strict=True):
        (alone,) = render([side], [x], settings)
        assert found.samples.tobytes() == alone.samples.tobytes()
        assert found.trace.max_db.tobytes() == alone.trace.max_db.tobytes()
        assert np.array_equal(peaks, peak_reductions_db([side], settings, 480)[0])


@pytest.mark.parametrize("attack_ms", [1.0, 10.0, 60.0])
def test_a_coarse_look_at_the_reduction_is_near(attack_ms):
    settings = BUS.checked({**GLUE, "attack_ms": attack_ms})
    sidechain = Sidechain.of(NOISE, RATE_HZ, settings)
    (exact,) = peak_reductions_db([sidechain], settings, RATE_HZ // 5)
    (near,) = peak_reductions_db([sidechain], settings, RATE_HZ // 5, coarse=True)
    assert exact.max() > 1.0
    # white noise, whose peaks last one frame, is the hardest for it: 3 % too much, on music under 0.1 dB
    np.testing.assert_allclose(near, exact, rtol=0.05)
    whole = sidechain.level_db[0, : sidechain.frames // 8 * 8]
    np.testing.assert_array_equal(sidechain.coarse_db[0, : whole.size // 8], whole.reshape(-1, 8).max(axis=1))


@pytest.mark.parametrize("extra", EXTRAS)
def test_side_chain_made_once_renders_what_the_stage_gives(extra):
    settings = BUS.checked({"threshold_db": -30.0, **extra})
    sidechain = Sidechain.of(NOISE, RATE_HZ, settings)
    for threshold_db in (-30.0, -15.0):
        settings = settings.with_(threshold_db=threshold_db)
        expected, (found,) = BUS.process(NOISE, RATE_HZ, settings), render([sidechain], [NOISE], settings)
        assert found.samples.tobytes() == expected.samples.tobytes()
        assert found.trace.max_db.tobytes() == expected.trace.max_db.tobytes()
        assert found.trace.mean_db.tobytes() == expected.trace.mean_db.tobytes()
        (hop,) = peak_reductions_db([sidechain], settings, RATE_HZ // 100)
        assert np.array_equal(hop, expected.trace.max_db)


def test_nothing_in_gives_nothing_out():
    runner = BUS.start(RATE_HZ, 2, BUS.checked({"lookahead_ms": 2.0}))
    assert runner.finish().shape == (0, 2)
    assert runner.trace.max_db.size == 0


def test_what_is_new_need_not_be_printed_and_the_window_only_belongs_to_rms():
    settings = BUS.checked({})
    quiet = {p.name for p in BUS.parameters if p.quiet}
    assert quiet == {"link_percent", "detector", "rms_ms", "lookahead_ms", "release_shape"}
    assert not BUS.applies(settings, "rms_ms")
    assert BUS.applies(settings.with_(detector="rms"), "rms_ms")
    assert BUS.applies(settings, "link_percent")


def test_compiled_loops_equal_python():
    samples = NOISE[:300]
    reduction = np.linspace(0.0, 9.0, 300).astype(np.float32)
    level = np.linspace(-40.0, 0.0, 300).astype(np.float32)
    bits = np.abs(samples[:, 0]).view(np.int32)
    # numpy scalars, so that Python rounds as the compiled types do
    curve = tuple(np.float64(value) for value in (-20.0, 0.5, 6.0, 0.99, 0.999))

    def run(python: bool) -> list[np.ndarray]:
        def f(kernel):
            return kernel.py_func if python else kernel

        peak, decibel, held, followed, straight = (np.empty(300, dtype=np.float32) for _ in range(5))
        gain, output = np.empty(200), np.empty(600, dtype=np.float32)
        maxima, means, begun = np.empty(3, dtype=np.int32), np.empty(3), np.zeros(2, dtype=np.int32)
        states = [np.full(2, 0.5) for _ in range(4)]
        f(kernels.linked_peak)(samples.reshape(-1), 2, peak)
        square = peak.copy()
        f(kernels.mean_square)(square, np.float64(0.99), states[0])
        f(kernels.level_from_bits)(bits, np.float32(6.0206), np.float32(-200.0), decibel)
        f(kernels.detect)(level, *curve, states[1], held)
        f(kernels.detect_branching)(level, *curve, states[2], followed)
        f(kernels.detect_straight)(level, *curve, states[3], straight)
        four, fours, coarse = np.empty((4, 300), np.float32), np.full((4, 2), 0.5), np.empty(38, np.float32)
        rows = (level, level[::-1].copy(), 0.5 * level, level)
        f(kernels.detect_four)(*rows, *curve, fours, np.empty((2, 4, 128)), *four)
        assert np.array_equal(four[0], held)
        assert np.array_equal(four[3], held)
        f(kernels.largest_of_eight)(level, coarse)
        f(kernels.gain_of)(reduction, 100, gain)
        mean, largest = f(kernels.mean_of)(gain[:199]), f(kernels.largest_of)(bits)
        other = reduction[::-1].copy()
        completed = f(kernels.apply_reduction)(
            samples.reshape(-1), 2, reduction, reduction.view(np.int32), other, other.view(np.int32),
            np.empty((2, 128)), begun, output, maxima, means,
        )  # fmt: skip
        scalars = np.array([mean, largest, completed])
        results = [peak, square, decibel, held, followed, straight, four, fours, coarse, gain, output]
        return [*results, maxima[:2], means[:2], begun, scalars, *states]

    for compiled, interpreted in zip(run(False), run(True), strict=True):
        assert np.array_equal(compiled, interpreted)
