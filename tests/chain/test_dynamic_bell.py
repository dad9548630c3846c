import math

import numpy as np
import pytest
from scipy import signal

from autochain.audio.signals import noise, sine, tones
from autochain.chain._dynamic_bell_kernels import run_band
from autochain.chain.dynamic_bell import KNEE_DB, RATIO, STAGE, gain_step_frames
from autochain.errors import ParameterError
from autochain.resources import read_table

RATE_HZ = 48000
NOISE = noise(0.5, RATE_HZ).astype(np.float32)


def band(number=1, **values):
    return {
        f"band{number}_{name}": value
        for name, value in values.items()
    }


def processed(samples, settings, rate_hz=RATE_HZ):
    return STAGE.process(samples, rate_hz, STAGE.checked(settings))


def static_cut_db(level_db, *, threshold_db, range_db):
    """Cut at a steady level of the band, in dB, 0 to -range_db."""
    over = level_db - threshold_db + KNEE_DB / 2.0
    inside = min(max(over, 0.0), KNEE_DB)
    slope = 1.0 - 1.0 / RATIO
    return min(-range_db, slope * (inside**2 / (2.0 * KNEE_DB) + max(over - KNEE_DB, 0.0)))


def level_db(samples):
    return 10 * np.log10(np.mean(samples**2))


# D. Giannoulis, M. Massberg, J. D. Reiss (2012), equation 4 from memory, ratio 2, knee 6 dB, threshold -20 dB,
# evaluated independently
CURVE = {-23.0: 0.0, -22.0: 0.0417, -20.0: 0.375, -18.0: 1.0417, -17.0: 1.5, -15.0: 2.5, -10.0: 5.0, 0.0: 10.0}


def test_static_curve_is_the_published_one_up_to_the_range():
    for level, expected in CURVE.items():
        found = static_cut_db(level, threshold_db=-20.0, range_db=-6.0)
        assert found == pytest.approx(min(expected, 6.0), abs=5e-5)


@pytest.mark.parametrize("freq_hz", [50.0, 1000.0, 12000.0])
@pytest.mark.parametrize("over_db", [-6.0, -1.0, 2.0, 5.0, 20.0])
def test_steady_tone_at_the_centre_is_cut_by_the_static_curve(freq_hz, over_db):
    tone = sine(freq_hz, 1.5, RATE_HZ, -24.0 + over_db)
    done = processed(tone, band(freq_hz=freq_hz, threshold_db=-24.0, range_db=-4.0))
    later = slice(RATE_HZ, None)
    expected = static_cut_db(-24.0 + over_db, threshold_db=-24.0, range_db=-4.0)
    assert level_db(tone[later]) - level_db(done.samples[later]) == pytest.approx(expected, abs=0.01)
    assert done.trace.max_db[100:] == pytest.approx(expected, abs=0.01)
    assert done.trace.mean_db[100:] == pytest.approx(expected, abs=0.01)
    assert done.trace.max_db.max() <= 4.0


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_under_the_threshold_the_output_is_the_input_bit_for_bit(dtype):
    quiet = np.concatenate([sine(3000.0, 0.3, RATE_HZ, -12.0), 0.05 * NOISE]).astype(dtype)
    settings = {**band(threshold_db=-6.0), **band(2, freq_hz=300.0, channel="side", threshold_db=-6.0)}
    done = processed(quiet, settings)
    assert done.samples.tobytes() == quiet.tobytes()
    assert not done.trace.max_db.any()
    assert not done.trace.mean_db.any()


def test_a_tone_an_octave_away_is_heard_as_much_quieter():
    # Closed form of the band-pass: |H| = 1 / sqrt(1 + q^2 (f/f0 - f0/f)^2), -10 dB an octave away with q 2; the
    # envelope ripples 2 dB above that.
    for freq_hz in (500.0, 2000.0):
        tone = sine(freq_hz, 0.5, RATE_HZ, -16.0)
        settings = band(freq_hz=1000.0, threshold_db=-20.0)
        steady = processed(signal.windows.tukey(tone.shape[0], 0.5)[:, None] * tone, settings)
        assert not steady.trace.max_db.any()
        assert processed(10 ** (9.0 / 20.0) * tone, settings).trace.max_db.max() > 0.5


def test_attack_and_release_are_those_of_a_63_percent_step():
    attack_ms, release_ms = 10.0, 100.0
    tone = tones([(0.2, -60.0), (0.5, -10.0), (1.0, -60.0)], RATE_HZ, frequency_hz=8000.0, channels=1)
    settings = band(
        freq_hz=8000.0, q=0.5, threshold_db=-30.0, range_db=-6.0, attack_ms=attack_ms, release_ms=release_ms
    )
    done = processed(tone, settings).samples
    # Cut from the power of whole periods: 6 frames of 8 kHz.
    period = 6
    cut_db = level_of(tone, period) - level_of(done, period)
    begins, ends = round(0.2 * RATE_HZ / period), round(0.7 * RATE_HZ / period)
    rise_ms = (np.argmax(cut_db >= 6.0 * (1 - math.exp(-1))) - begins) * period / RATE_HZ * 1e3
    ringing = round(5e-3 * RATE_HZ / period)  # of the bell, louder than the tone for so long
    fall = ringing + np.argmax(cut_db[ends + ringing :] <= 6.0 * math.exp(-1))
    fall_ms = fall * period / RATE_HZ * 1e3
    # Closed form of the smooth decoupled detector, its peak at the wanted value at once: 1 - exp(-t/attack) up,
    # down the difference of both exponentials.
    t = np.linspace(0.0, 300.0, 30001)
    down = (release_ms * np.exp(-t / release_ms) - attack_ms * np.exp(-t / attack_ms)) / (release_ms - attack_ms)
    # The gain moves in steps of 0.5 ms, one step after the level.
    assert rise_ms == pytest.approx(attack_ms + 0.5, abs=0.5)
    assert fall_ms == pytest.approx(t[np.argmax(down <= math.exp(-1))] + 0.5, abs=0.6)


def level_of(samples, period):
    return 10 * np.log10(np.mean(samples[: samples.shape[0] // period * period].reshape(-1, period) ** 2, axis=1))


def test_standing_still_it_is_the_cookbooks_bell():
    # W3C Note "Audio EQ Cookbook" (2021), evaluated independently: shared/equaliser.toml
    row = read_table("equaliser.toml")["cookbook"][1]
    assert row["rate_hz"] == RATE_HZ
    at_hz = np.array([40.0, 120.0, 180.0, 250.0, 330.0, 520.0, 1500.0])
    holding = sine(row["freq_hz"], 3.0, RATE_HZ, -6.0, channels=1)
    probes = sum(sine(f, 3.0, RATE_HZ, -70.0, channels=1) for f in at_hz if f != row["freq_hz"])
    settings = band(freq_hz=row["freq_hz"], q=row["q"], range_db=row["gain_db"], threshold_db=-40.0)
    # One second of whole periods; the detector stays far over the threshold, so the cut stands at its range.
    last = slice(2 * RATE_HZ, None)
    before, after = (
        np.abs(np.fft.rfft(x[last, 0]))[at_hz.astype(int)]
        for x in (holding + probes, processed(holding + probes, settings).samples)
    )
    b, a = np.array(row["section"][:3]), np.r_[1.0, row["section"][3:]]
    expected = 20 * np.log10(np.abs(signal.freqz(b, a, worN=at_hz, fs=RATE_HZ)[1]))
    # The table's eight decimals leave 0.0005 dB at 40 Hz.
    assert 20 * np.log10(after / before) == pytest.approx(expected, abs=0.001)


def test_the_cut_moves_without_clicks():
    tone = tones([(0.3, -60.0), (0.3, -6.0), (0.4, -60.0)], RATE_HZ, frequency_hz=200.0, channels=1)
    change = processed(tone, band(freq_hz=200.0, threshold_db=-30.0, range_db=-6.0, attack_ms=5.0)).samples - tone
    # Above 3 kHz a sine that is turned down over milliseconds has nothing: 60 dB under the change itself. What a gain
    # that jumps would leave there is as large as the change.
    high = signal.sosfilt(signal.butter(6, 3000.0, "high", fs=RATE_HZ, output="sos"), change[:, 0])
    assert np.abs(high).max() < 1e-3 * np.abs(change).max()


def test_channels_are_cut_where_they_are_told():
    left_loud = NOISE * np.array([1.0, 0.02], dtype=np.float32)
    linked = processed(left_loud, band(threshold_db=-50.0))
    ratio = level_db(left_loud) - level_db(linked.samples)
    assert ratio > 0.05
    only = processed(NOISE, band(threshold_db=-50.0, channel="left")).samples
    assert np.array_equal(only[:, 1], NOISE[:, 1])
    assert not np.array_equal(only[:, 0], NOISE[:, 0])
    mono_sum = np.repeat(NOISE[:, :1], 2, axis=1)
    assert np.array_equal(processed(mono_sum, band(threshold_db=-50.0, channel="side")).samples, mono_sum)
    mid = processed(mono_sum, band(threshold_db=-50.0, channel="mid")).samples
    # The same filter on mid as on both, which differ in nothing here but the last bit.
    assert np.abs(mid - processed(mono_sum, band(threshold_db=-50.0)).samples).max() < 1e-7


def test_one_channel_has_no_side_and_no_left():
    mono = np.ascontiguousarray(NOISE[:, :1])
    assert np.array_equal(processed(mono, band(threshold_db=-50.0, channel="side")).samples, mono)
    with pytest.raises(ParameterError, match=r"dynamic_bell\.band1_channel is left, but the mix has one channel\."):
        processed(mono, band(channel="left"))


def test_swapped_channels_give_swapped_output():
    settings = {**band(threshold_db=-50.0), **band(2, freq_hz=300.0, threshold_db=-50.0, channel="mid")}
    swapped = processed(np.ascontiguousarray(NOISE[:, ::-1]), settings).samples[:, ::-1]
    assert np.array_equal(swapped, processed(NOISE, settings).samples)


@pytest.mark.parametrize("rate_hz", [44100, 48000])
@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_the_way_the_stream_is_cut_changes_no_bit(rate_hz, channels, dtype):
    samples = np.ascontiguousarray(NOISE[:9001, :channels]).astype(dtype)
    settings = STAGE.checked({**band(threshold_db=-50.0), **band(2, freq_hz=300.0, threshold_db=-50.0, channel="mid")})
    whole = STAGE.process(samples, rate_hz, settings)
    assert whole.samples.dtype == dtype
    assert whole.trace.max_db.size == math.ceil(9001 / round(rate_hz / 100))
    for sizes in ([0, 1, 7], [4096], [9001]):
        runner = STAGE.start(rate_hz, channels, settings)
        pieces, place, k = [], 0, 0
        while place < len(samples):
            size = sizes[k % len(sizes)]
            pieces.append(runner.push(samples[place : place + size]))
            place, k = place + size, k + 1
        assert np.concatenate([*pieces, runner.finish()]).tobytes() == whole.samples.tobytes()
        assert runner.trace.max_db.tobytes() == whole.trace.max_db.tobytes()
        assert runner.trace.mean_db.tobytes() == whole.trace.mean_db.tobytes()


def test_nothing_ahead_is_needed():
    settings = band(threshold_db=-50.0)
    touched = NOISE.copy()
    touched[10000] += 0.5
    change = (processed(touched, settings).samples != processed(NOISE, settings).samples).any(axis=1)
    assert np.flatnonzero(change)[0] == 10000
    assert STAGE.latency_samples(RATE_HZ, STAGE.checked(settings)) == 0


@pytest.mark.parametrize("rate_hz", [44100, 192000])
def test_range_ends_are_finite_repeatable_and_keep_the_input(rate_hz):
    kept = NOISE.copy()
    for place in ("low", "high"):
        for loud in (-60.0, 0.0):
            ends = {p.name: getattr(p, place) for p in STAGE.band if not p.choices}
            ends |= {"threshold_db": loud, "range_db": -6.0}
            first = processed(NOISE, {f"band1_{name}": value for name, value in ends.items()}, rate_hz)
            again = processed(NOISE, {f"band1_{name}": value for name, value in ends.items()}, rate_hz)
            assert np.isfinite(first.samples).all()
            assert np.abs(first.samples).max() <= 1.1 * np.abs(NOISE).max()
            assert first.samples.tobytes() == again.samples.tobytes()
    assert np.array_equal(NOISE, kept)


def test_silence_and_neutral_change_nothing():
    silence = np.zeros((2000, 2), dtype=np.float32)
    assert not processed(silence, band(threshold_db=-60.0)).samples.any()
    for settings in (STAGE.neutral, band(range_db=0.0, threshold_db=-60.0)):
        done = processed(NOISE, settings)
        assert done.samples.tobytes() == NOISE.tobytes()
        assert done.trace.max_db.size == 50
        assert not done.trace.max_db.any()


@pytest.mark.parametrize("rate_hz", [44100, 48000, 88200, 96000, 176400, 192000])
def test_gain_steps_divide_a_trace_block_and_last_half_a_millisecond_at_most(rate_hz):
    assert round(rate_hz / 100) % gain_step_frames(rate_hz) == 0
    assert 0.4e-3 <= gain_step_frames(rate_hz) / rate_hz <= 0.5e-3


def test_compiled_loop_equals_python():
    into = np.array([[0.5, 0.5], [0.0, 1.0]])
    back = np.array([[1.0, 1.0], [0.0, 1.0]])
    curve = np.array([0.2, 2.0, -40.0, 6.0, 0.5, 3.0, 0.9, 0.99])
    results = []
    for run in (run_band, run_band.py_func):
        lanes, state, memory = NOISE[:240].astype(np.float64), np.zeros(3), np.zeros((2, 6))
        maxima, means = np.zeros(2), np.ones(2)
        run(lanes, 24, 5, into, back, curve, state, memory, maxima, means)
        assert maxima[0] > 0.1
        results.append(np.concatenate([lanes.ravel(), state, memory.ravel(), maxima, means]))
    # the compiled power of ten may round its last bit differently
    assert results[0] == pytest.approx(results[1], rel=1e-12, abs=1e-15)
