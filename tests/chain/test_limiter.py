from itertools import pairwise

import numpy as np
import pyebur128
import pytest
from scipy.signal import firwin, lfilter, upfirdn

from autochain.audio.cells import CELL_FRAMES
from autochain.audio.oversample import Hidden, scratch
from autochain.audio.signals import noise, pink_noise, sine
from autochain.chain import _limiter_kernels as kernels
from autochain.chain import limiter
from autochain.chain.clipper import STAGE as CLIPPER
from autochain.chain.limiter import DETECTOR, STAGE
from autochain.chain.limiter_gain import LimiterLine, attack_samples, lookahead_samples
from autochain.chain.limiter_release import (
    BUSY_HOLD_MS,
    BUSY_MEMORY_MS,
    BUSY_SLOWEST,
    IN_DB,
    RELEASES,
    STRAIGHT,
    TWO_STAGE_RATIO,
    first_state,
    release_of,
)
from autochain.resources import read_table

RATE = 44100
SETTINGS = [(0.5, 2.0), (2.0, 60.0), (10.0, 1000.0)]
# Rec. ITU-R BS.1770-5, Annex 2: order 48, four phases of 12 taps
ANNEX2 = np.array(read_table("true_peak.toml")["annex2"]["phases"]).T.reshape(-1)


def settings(ceiling_dbtp=-6.0, lookahead_ms=2.0, release_ms=60.0, behaviour="fixed", **others):
    times = {"ceiling_dbtp": ceiling_dbtp, "lookahead_ms": lookahead_ms, "release_ms": release_ms}
    return STAGE.checked({**times, "release_behaviour": behaviour, **others})


def limit(x, ceiling_dbtp=-6.0, lookahead_ms=2.0, release_ms=60.0, rate_hz=RATE, **others):
    return STAGE.process(x, rate_hz, settings(ceiling_dbtp, lookahead_ms, release_ms, **others))


def peak_db(x):
    return 20.0 * np.log10(np.abs(x).max())


def annex2_dbtp(x):
    return peak_db(upfirdn(ANNEX2, x.astype(np.float64), 4, axis=0))


def sinc49_dbtp(x):
    """Read by the outside library."""
    state = pyebur128.R128State(x.shape[1], RATE, pyebur128.MeasurementMode.MODE_TRUE_PEAK)
    state.add_frames(np.ascontiguousarray(x, np.float64).reshape(-1), x.shape[0])
    return 20.0 * np.log10(max(pyebur128.get_true_peak(state, c) for c in range(x.shape[1])))


def fft16_dbtp(x):
    """True peak by zero-padding the spectrum to 16 times the rate."""
    spectrum = np.fft.rfft(np.pad(x.astype(np.float64), ((2048, 2048), (0, 0))), axis=0)
    frames = x.shape[0] + 4096
    return peak_db(16.0 * np.fft.irfft(spectrum, 16 * frames, axis=0))


def low_passed(x, cutoff_hz=20000.0):
    return lfilter(firwin(511, cutoff_hz, fs=RATE), 1.0, x, axis=0)


def materials():
    rng = np.random.default_rng(5)
    n = 1 << 15
    t = np.arange(n)[:, None] / RATE
    bursts = (np.exp(-(t % 0.25) / 0.03) * rng.standard_normal((n, 2))) + 0.3 * np.sin(2 * np.pi * 55.0 * t)
    return {
        "noise to 20 kHz": low_passed(0.4 * rng.standard_normal((n, 2))),
        "noise bursts over bass": low_passed(0.7 * bursts),
        "pink noise": low_passed(pink_noise(n / RATE, RATE, -8.0)),
        "impulses": low_passed((rng.random((n, 1)) < 0.003) * rng.standard_normal((n, 2)) * 4.0),
        "square": low_passed(np.sign(np.sin(2 * np.pi * 100.3 * t)) * [1.0, 0.7]),
        "sweep": np.sin(2 * np.pi * (20.0 * t + 9000.0 / t[-1] * t**2)) * [1.0, 0.5],
        "sine at a quarter of the rate": sine(RATE / 4, n / RATE, RATE, 0.0, 45.0),
    }


MATERIALS = materials()


@pytest.mark.parametrize("name", MATERIALS)
@pytest.mark.parametrize(("lookahead_ms", "release_ms"), SETTINGS)
def test_true_peak_stays_within_150_mdb_of_the_ceiling(name, lookahead_ms, release_ms):
    x = MATERIALS[name].astype(np.float32)
    y = limit(x, -6.0, lookahead_ms, release_ms).samples
    assert annex2_dbtp(y) <= -6.0 + 0.15
    assert sinc49_dbtp(y) <= -6.0 + 0.15
    assert fft16_dbtp(y) <= -6.0 + 0.15
    assert peak_db(y) <= -6.0
    # and it does not duck under what it must: one of the readings touches the ceiling
    assert max(annex2_dbtp(y), sinc49_dbtp(y), fft16_dbtp(y), peak_db(y)) >= -6.0 - 0.05


@pytest.mark.parametrize(("lookahead_ms", "release_ms"), SETTINGS)
def test_noise_up_to_half_the_rate_passes_by_less_than_a_decibel(lookahead_ms, release_ms):
    # No finite filter reads content up to half the rate: the 16-fold reading reaches 0.8 dB over the ceiling
    # here (0.5 ms, 2 ms), and 0.5 dB at slower settings; the published four-fold reading holds.
    y = limit(noise(0.75, RATE, -10.0).astype(np.float32), -6.0, lookahead_ms, release_ms).samples
    assert annex2_dbtp(y) <= -6.0 + 0.15
    assert fft16_dbtp(y) <= -6.0 + 1.0


@pytest.mark.parametrize("kind", ["noise", "impulse", "square", "alternating", "flipped alternation", "full"])
@pytest.mark.parametrize("dtype", [np.float32, np.float64])
@pytest.mark.parametrize("behaviour", RELEASES)
def test_samples_never_pass_the_ceiling(kind, dtype, behaviour):
    n = 8000
    alternating = np.resize([1.0, -1.0], n)
    x = {
        "noise": noise(n / RATE, RATE, 0.0)[:, 0],
        "impulse": np.eye(1, n, n // 2)[0] * 4.0,
        "square": np.sign(np.sin(np.arange(n) / 30.0 + 0.1)),
        "alternating": alternating,
        "flipped alternation": alternating * np.where(np.arange(n) < n // 2, 1.0, -1.0),
        "full": np.ones(n),
    }[kind]
    ceiling = dtype(10.0 ** (-3.0 / 20.0))
    x = np.stack([x, np.roll(x, 300) * 0.9], axis=1).astype(dtype)
    for lookahead_ms, release_ms in SETTINGS:
        for attack_ms in (0.1, 1.0, 10.0):
            for link_percent in (0.0, 35.0, 100.0):
                y = limit(
                    x, -3.0, lookahead_ms, release_ms,
                    behaviour=behaviour, attack_ms=attack_ms, link_percent=link_percent,
                ).samples  # fmt: skip
                assert np.abs(y).max() <= ceiling


def test_gain_comes_down_ahead_of_a_peak_and_returns_after_it():
    x = np.full((RATE, 1), 0.1)
    x[20000] = 2.0
    gain = (limit(x, -6.0, 5.0, 50.0).samples / x)[:, 0]
    ahead = lookahead_samples(RATE, {"lookahead_ms": 5.0})
    changed = np.flatnonzero(gain != 1.0)
    # the interpolation of an impulse rings over the ceiling a few frames before it
    assert 20000 - ahead - 8 <= changed[0] <= 20000 - ahead + 2
    assert gain[20000] == gain.min()
    assert np.all(np.diff(gain[changed[0] : 20000]) <= 0.0)
    # definition: after release_ms, 63.2 % of the way back is done; the smoothing lags by half the look-ahead
    lowest = gain.min()
    recovered = np.flatnonzero(gain[20001:] >= lowest + (1.0 - np.exp(-1.0)) * (1.0 - lowest))[0]
    assert recovered == pytest.approx(0.050 * RATE + ahead / 2, abs=12)


@pytest.mark.parametrize(("attack_ms", "lookahead_ms"), [(1.0, 5.0), (3.0, 5.0), (10.0, 5.0)])
def test_gain_is_down_after_the_attack_and_stays_down_until_the_peak(attack_ms, lookahead_ms):
    x = np.full((RATE, 1), 0.1)
    x[20000] = 2.0
    gain = (limit(x, -6.0, lookahead_ms, 50.0, attack_ms=attack_ms).samples / x)[:, 0]
    ahead = lookahead_samples(RATE, {"lookahead_ms": lookahead_ms})
    attack = attack_samples(RATE, {"lookahead_ms": lookahead_ms, "attack_ms": attack_ms})
    assert attack == min(ahead, round(attack_ms * 1e-3 * RATE))
    changed = np.flatnonzero(gain != 1.0)[0]
    # the interpolation of an impulse rings over the ceiling a few frames before it, less far
    assert 20000 - ahead - 8 <= changed <= 20000 - ahead + 2
    down = np.flatnonzero(gain == gain.min())
    assert down[0] == pytest.approx(20000 - ahead + attack, abs=1)
    assert down[-1] == pytest.approx(20000, abs=1)


def released(needs, release_ms, behaviour="fixed", rate_hz=RATE):
    """Reductions that a behaviour makes of needs; both as shares of 1."""
    units = np.round(np.asarray(needs) * kernels.UNIT).astype(np.int32)
    own = settings(release_ms=release_ms).with_(release_behaviour=behaviour)
    kernels.release(units, first_state(rate_hz, own), tuple(release_of(rate_hz, own)))
    return units / kernels.UNIT


@pytest.mark.parametrize("behaviour", [*RELEASES, IN_DB, STRAIGHT])
def test_release_takes_nothing_from_what_is_needed(behaviour):
    needs = np.where(np.random.default_rng(3).random(5000) < 0.01, 0.5, 0.0) * np.linspace(1.0, 0.1, 5000)
    assert (released(needs, 20.0, behaviour) >= needs - 1.0 / kernels.UNIT).all()


def test_even_release_is_a_one_pole_in_the_linear_gain():
    needs = np.zeros(5000)
    needs[:1000] = 0.5
    reduction = released(needs, 20.0)
    # closed form: 0.5 exp(-t / tau)
    t = np.arange(1, 4001) / RATE
    np.testing.assert_allclose(reduction[1000:], 0.5 * np.exp(-t / 0.020), atol=1e-6)
    assert (reduction[:1000] == 0.5).all()
    # definition: 63.2 % of the way back is done after release_ms
    assert reduction[1000 + 882] == pytest.approx(0.5 * np.exp(-1.0), rel=2e-3)


@pytest.mark.parametrize("reduction_db", [0.5, 6.0, 20.0])
def test_releases_of_other_limiters_are_what_they_say(reduction_db):
    needs = np.zeros(10_000)
    needs[:100] = 1.0 - 10.0 ** (-reduction_db / 20.0)
    t = np.arange(1, 9901) / RATE
    in_db, straight = (-20.0 * np.log10(1.0 - released(needs, 50.0, way)[100:]) for way in (IN_DB, STRAIGHT))
    # closed form: one pole of 50 ms in dB; a reduction under 1e-8 is none
    np.testing.assert_allclose(in_db, reduction_db * np.exp(-t / 0.050), atol=1e-5)
    # W3C Web Audio API, DynamicsCompressorNode: release is the time to raise the gain by 10 dB
    np.testing.assert_allclose(straight, np.maximum(0.0, reduction_db - 10.0 * t / 0.050), atol=1e-5)


def test_a_limiter_that_reads_samples_holds_them_and_lets_peaks_between_them_pass():
    # closed form: a sine at a quarter of the rate, an eighth of a period off, has its samples 3.01 dB under its peak
    x = np.sqrt(2.0) * np.sin(0.5 * np.pi * np.arange(RATE) + 0.25 * np.pi)[:, None] * np.ones((1, 2))
    x[RATE // 2 :] *= 0.4
    own = settings(-3.0, release_ms=5.0).with_(detector=limiter.SAMPLE_PEAK)
    y = limiter.STAGE.process(x, RATE, own).samples
    assert peak_db(y) == pytest.approx(-3.0, abs=1e-4)
    # faded, as a tone cut off at once has other peaks at its ends
    assert fft16_dbtp(y[2000:20000] * np.hanning(18000)[:, None]) == pytest.approx(0.01, abs=0.005)
    np.testing.assert_array_equal(y[-RATE // 8 :], x[-RATE // 8 :])
    apart = limiter.STAGE.process(x * [[1.0, 0.4]], RATE, own.with_(link_percent=0.0)).samples
    np.testing.assert_array_equal(apart[:, 1], 0.4 * x[:, 1])
    assert peak_db(apart[:, 0]) == pytest.approx(-3.0, abs=1e-4)


@pytest.mark.parametrize("worked_ms", [2.0, 100.0, 1000.0])
def test_two_stage_release_is_fast_after_a_short_peak_and_slow_after_long_work(worked_ms):
    worked = round(worked_ms * 1e-3 * RATE)
    needs = np.zeros(worked + RATE)
    needs[:worked] = 0.4
    tau, slow = 0.020, 0.020 * TWO_STAGE_RATIO
    t = np.arange(1, RATE + 1) / RATE
    # closed form: the larger of a fast decay of all and a slow decay of what one pole gathered meanwhile
    gathered = 1.0 - np.exp(-worked / RATE / slow)
    expected = 0.4 * np.maximum(np.exp(-t / tau), gathered * np.exp(-t / slow))
    np.testing.assert_allclose(released(needs, 20.0, "two_stage")[worked:], expected, atol=1e-6)


@pytest.mark.parametrize("busy_s", [0.0, 0.3, 3.0])
def test_release_by_work_grows_slower_with_the_time_it_worked(busy_s):
    hold, memory, tau = BUSY_HOLD_MS * 1e-3, BUSY_MEMORY_MS * 1e-3, 0.050
    busy = max(1, round(busy_s * RATE))
    needs = np.zeros(busy + RATE)
    needs[:busy:100] = 0.5  # peaks closer than the hold time: busy throughout
    last = (busy - 1) // 100 * 100
    reduction = released(needs, 50.0, "by_work")[last:]
    # closed form: with k = slowest - 1 and p the share, ln d falls by the integral of 1 / (tau (1 + k p)). While
    # the hold lasts, 1 - p = (1 - p0) exp(-t / memory); after it, p = p1 exp(-t / memory).
    k = BUSY_SLOWEST - 1.0
    p0 = 1.0 - np.exp(-last / RATE / memory)
    p1 = 1.0 - (1.0 - p0) * np.exp(-hold / memory)

    def fallen_while_held(t):
        # integral of 1 / (a - b exp(-t/m)), a = 1 + k, b = k (1 - p0)
        a, b = 1.0 + k, k * (1.0 - p0)
        return memory / a * np.log((a * np.exp(t / memory) - b) / (a - b))

    t = np.arange(reduction.size) / RATE
    after = np.maximum(t - hold, 0.0)
    fallen = fallen_while_held(np.minimum(t, hold)) + memory * np.log(
        (np.exp(after / memory) + k * p1) / (1.0 + k * p1)
    )
    # 1e-3: steps of a frame against the integral
    np.testing.assert_allclose(reduction, 0.5 * np.exp(-fallen / tau), atol=1e-3)


def test_denser_peaks_recover_more_slowly_by_work_alone():
    def recovery_ms(spacing_ms, behaviour):
        x = np.full((2 * RATE, 1), 0.1)
        peaks = np.arange(4000, RATE, round(spacing_ms * 1e-3 * RATE))
        x[peaks] = 1.0
        gain = (limit(x, -6.0, 1.0, 30.0, behaviour=behaviour).samples / x)[peaks[-1] :, 0]
        return np.flatnonzero(gain >= 1.0 - 0.1 * (1.0 - gain[0]))[0] / RATE * 1e3

    times = {spacing: recovery_ms(spacing, "by_work") for spacing in (500.0, 100.0, 25.0)}
    # a limit of this project: each step of density is told apart by half as long again
    assert times[100.0] > 1.5 * times[500.0]
    assert times[25.0] > 1.5 * times[100.0]
    assert recovery_ms(25.0, "fixed") == pytest.approx(recovery_ms(500.0, "fixed"), abs=0.5)


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_untouched_bit_for_bit_where_nothing_reaches_the_ceiling(dtype):
    x = sine(440.0, 2.0, RATE, -6.1).astype(dtype)
    out = limit(x)
    assert out.samples.dtype == dtype
    assert out.samples is not x
    assert out.samples.tobytes() == x.tobytes()
    assert not out.trace.max_db.any()
    x[40000] = 1.0
    y = limit(x, -6.0, 2.0, 5.0).samples
    reach = lookahead_samples(RATE, {"lookahead_ms": 2.0}) + DETECTOR.reach
    assert y[: 40000 - reach].tobytes() == x[: 40000 - reach].tobytes()
    assert y[40000 + RATE // 4 :].tobytes() == x[40000 + RATE // 4 :].tobytes()


def test_channels_share_one_gain():
    x = noise(0.3, RATE, -6.0) * [1.0, 0.1]
    y = limit(x, -9.0).samples
    np.testing.assert_allclose(y[:, 0] / x[:, 0], y[:, 1] / x[:, 1], rtol=1e-12)
    np.testing.assert_array_equal(limit(x[:, ::-1].copy(), -9.0).samples, y[:, ::-1])


def test_unlinked_channels_are_limited_apart():
    x = noise(0.3, RATE, -6.0) * [1.0, 0.5]
    y = limit(x, -9.0, link_percent=0.0)
    for channel in range(2):
        alone = limit(x[:, channel : channel + 1].copy(), -9.0)
        np.testing.assert_array_equal(y.samples[:, channel : channel + 1], alone.samples)
    np.testing.assert_array_equal(limit(x[:, ::-1].copy(), -9.0, link_percent=0.0).samples, y.samples[:, ::-1])
    # definition: the channel turned down most, the mean gain of both
    traces = [limit(x[:, c : c + 1].copy(), -9.0).trace for c in range(2)]
    np.testing.assert_array_equal(y.trace.max_db, np.maximum(traces[0].max_db, traces[1].max_db))
    gains = [10.0 ** (-t.mean_db / 20.0) for t in traces]
    np.testing.assert_allclose(y.trace.mean_db, -10.0 * np.log10(np.mean(gains, axis=0)) * 2.0, atol=1e-5)


@pytest.mark.parametrize("link_percent", [0.0, 25.0, 80.0, 100.0])
def test_link_raises_the_lesser_reduction_by_its_share_of_the_difference(link_percent):
    x = sine(1000.0, 0.5, RATE, 0.0) * [1.0, 10.0 ** (-3.0 / 20.0)]
    y = limit(x, -9.0, 5.0, 1000.0, link_percent=link_percent).samples
    middle = slice(RATE // 4, RATE // 4 + 4410)
    reductions = 20.0 * np.log10(np.abs(x[middle]).max(axis=0) / np.abs(y[middle]).max(axis=0))
    # definition: 9 dB and 6 dB are needed; the lesser grows to 6 + 3 link. 0.02 dB: what the release gives back
    np.testing.assert_allclose(reductions, [9.0, 6.0 + 0.03 * link_percent], atol=0.02)


@pytest.mark.parametrize("behaviour", RELEASES)
def test_result_does_not_depend_on_where_cells_and_pieces_begin(behaviour):
    x = noise(0.4, RATE, -6.0).astype(np.float32)
    x[: DETECTOR.reach] = 0.0  # what rings before the first frame would be seen only with frames before it
    y = limit(x, -8.0, behaviour=behaviour).samples
    for shift in (1, 7, 300, CELL_FRAMES - 5):
        later = np.concatenate((np.zeros((shift, 2), np.float32), x))
        np.testing.assert_array_equal(limit(later, -8.0, behaviour=behaviour).samples[shift:], y)


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
@pytest.mark.parametrize("behaviour", RELEASES)
@pytest.mark.parametrize("others", [{}, {"attack_ms": 0.5, "link_percent": 40.0}], ids=["default", "unlinked"])
def test_where_blocks_are_cut_changes_no_bit(dtype, behaviour, others):
    x = noise(1.0, RATE, -6.0).astype(dtype)[: 2 * CELL_FRAMES + 777]
    x[5000:9000] *= 0.01
    whole = limit(x, -8.0, behaviour=behaviour, **others)
    assert whole.samples.shape == x.shape
    for size in (1, 7, 4096, 65536):
        runner = STAGE.start(RATE, 2, settings(-8.0, behaviour=behaviour, **others))
        pieces = [runner.push(x[:0])]
        # one by one only over the edge of a cell, to stay quick
        cuts = [0, *range(CELL_FRAMES - 200, CELL_FRAMES + 200), x.shape[0]] if size == 1 else [
            *range(0, x.shape[0], size), x.shape[0]
        ]  # fmt: skip
        pieces += [runner.push(x[a:b].copy()) for a, b in pairwise(cuts)]
        pieces.append(runner.finish())
        assert np.concatenate(pieces).tobytes() == whole.samples.tobytes()
        assert runner.trace.max_db.tobytes() == whole.trace.max_db.tobytes()
        assert runner.trace.mean_db.tobytes() == whole.trace.mean_db.tobytes()


def test_trace_reads_the_gain():
    x = sine(1000.0, 1.0, RATE, 0.0)
    trace = limit(x, -6.0, 2.0, 1000.0).trace
    assert trace.max_db.shape == (100,)
    # closed form: a sine of peak 0 dBFS under a ceiling of -6 dBTP is turned down by 6 dB; the release gives
    # back up to half a period, 1 - exp(-0.5 / 1000) of the way
    np.testing.assert_allclose(trace.max_db[20:-2], 6.0, atol=0.02)
    np.testing.assert_allclose(trace.mean_db[20:-2], 6.0, atol=0.02)
    assert (trace.max_db >= trace.mean_db - 1e-6).all()


def residual_db(y, x):
    """Rest after the best gain, relative to the output."""
    rest = y - x * (np.sum(x * y) / np.sum(x * x))
    return 10.0 * np.log10(np.sum(rest**2) / np.sum(y**2))


@pytest.mark.parametrize("release_ms", [60.0, 200.0])
def test_slow_limiting_adds_less_than_clipping_the_same_peaks(release_ms):
    # common practice, no source
    x = sine(110.0, 2.0, RATE, -2.0) + noise(2.0, RATE, -22.0)
    ceiling = peak_db(x) - 4.0
    clipped = CLIPPER.process(x, RATE, CLIPPER.checked({"ceiling_dbfs": round(ceiling, 1), "softness": 0.0}))
    limited = limit(x, round(ceiling, 1), 5.0, release_ms)
    middle = slice(RATE // 2, -RATE // 10)
    clip_db = residual_db(clipped.samples[middle], x[middle])
    assert residual_db(limited.samples[middle], x[middle]) < clip_db - 3.0


def test_a_fast_release_distorts_a_low_tone_more_than_a_slow_one():
    # common practice, no source
    x = sine(60.0, 2.0, RATE, 0.0)
    harmonics_db = []
    for release_ms in (2.0, 60.0):
        y = limit(x, -6.0, 2.0, release_ms).samples[RATE // 2 : RATE // 2 + RATE, 0]
        spectrum = np.abs(np.fft.rfft(y))[60::60]
        harmonics_db.append(10.0 * np.log10(np.sum(spectrum[1:] ** 2) / spectrum[0] ** 2))
    assert harmonics_db[0] > harmonics_db[1] + 10.0


@pytest.mark.parametrize("lookahead_ms", [0.5, 3.0, 10.0])
def test_stated_latency_is_how_far_a_change_reaches_back(lookahead_ms):
    # always rising, so that the newest value always sets the gain
    x = np.exp(np.arange(4000) / 500.0)[:, None]
    y = limit(x, -6.0, lookahead_ms).samples
    back = []
    for factor in (3.0, -3.0):  # one of them raises the earliest point in reach, the other lowers it
        changed = x.copy()
        changed[3000] *= factor
        back.append(3000 - np.flatnonzero(limit(changed, -6.0, lookahead_ms).samples != y)[0])
    assert max(back) == STAGE.latency_samples(RATE, {"lookahead_ms": lookahead_ms})


def test_silence_stays_silence():
    assert not limit(np.zeros((1000, 2), np.float32), -12.0).samples.any()
    assert limit(np.zeros((0, 2), np.float32)).samples.shape == (0, 2)


@pytest.mark.parametrize("ceiling_dbtp", [-12.0, 0.0])
@pytest.mark.parametrize("lookahead_ms", [0.5, 10.0])
@pytest.mark.parametrize("release_ms", [2.0, 1000.0])
@pytest.mark.parametrize("channels", [1, 2])
def test_finite_at_the_range_ends_and_input_untouched(ceiling_dbtp, lookahead_ms, release_ms, channels):
    x = np.sign(noise(0.05, RATE, 0.0, channels)).astype(np.float32) * 20.0
    before = x.copy()
    out = limit(x, ceiling_dbtp, lookahead_ms, release_ms)
    for values in (out.samples, out.trace.max_db, out.trace.mean_db):
        assert np.isfinite(values).all()
    np.testing.assert_array_equal(x, before)
    assert out.samples.tobytes() == limit(x, ceiling_dbtp, lookahead_ms, release_ms).samples.tobytes()
    assert np.isfinite(limit(x[:1], ceiling_dbtp, lookahead_ms, release_ms).samples).all()
    # longest sums: the highest rate that is read
    assert np.isfinite(limit(x, ceiling_dbtp, lookahead_ms, release_ms, 192000).samples).all()


@pytest.mark.parametrize("channels", [1, 2])
def test_every_run_has_frames_enough_for_the_taps(monkeypatch, channels):
    # Compiled loops do not look whether an index lies inside.
    room, find = [], kernels.find_needs

    def watched(flat, channels, starts, stops, *more):
        if starts.size:
            room.append((starts.min() - DETECTOR.reach, flat.size // channels - 1 - stops.max() - DETECTOR.reach))
        return find(flat, channels, starts, stops, *more)

    monkeypatch.setattr(kernels, "find_needs", watched)
    limit(noise(0.5, RATE, 12.0, channels).astype(np.float32))
    assert len(room) > 1
    assert min(map(min, room)) >= 0


@pytest.mark.parametrize("lookahead_ms", [0.5, 2.0, 8.0])
@pytest.mark.parametrize("ceiling_dbtp", [-3.0, -9.0, -20.0])
@pytest.mark.parametrize(("behaviour", "release_ms"), [("fixed", 5.0), ("fixed", 300.0), ("by_work", 40.0)])
def test_what_higher_peaks_cover_is_left_out_and_changes_no_bit(
    monkeypatch, lookahead_ms, ceiling_dbtp, behaviour, release_ms
):
    # dense low notes with hits, and noise: peaks far apart and side by side
    x = sum(sine(f, 1.5, RATE, level_dbfs=-9.0, phase_deg=f) for f in (110.0, 171.0, 1310.0))
    x[::3001] += 0.7
    x[30000:] += noise(1.5, RATE, -6.0)[30000:]
    x = x.astype(np.float32)
    frames = []
    find = kernels.find_needs

    def counted(flat, channels, starts, stops, *more):
        frames[-1] += int((stops - starts).sum())
        return find(flat, channels, starts, stops, *more)

    monkeypatch.setattr(kernels, "find_needs", counted)
    results = []
    for within in (None, 0):
        frames.append(0)
        with monkeypatch.context() as patch:
            if within is not None:
                patch.setattr(limiter, "Hidden", lambda **bounds: Hidden(**{**bounds, "frames": 0, "keep": 0.0}))
            results.append(limit(x, ceiling_dbtp, lookahead_ms, release_ms, release_behaviour=behaviour))
    assert results[0].samples.tobytes() == results[1].samples.tobytes()
    assert results[0].trace.mean_db.tobytes() == results[1].trace.mean_db.tobytes()
    assert frames[0] <= frames[1]
    assert frames[0] < frames[1] or (lookahead_ms < 8.0 and release_ms < 100.0)


def test_bounds_of_what_is_read_near_a_frame_hold():
    """Each row of weights is a straight line between two frames and second differences, summed twice."""

    def straight_and_curved(row, first):
        offsets = first + np.arange(row.size)
        here, there = row.sum() - row @ offsets, row @ offsets
        rest = row.copy()
        rest[-first] -= here
        rest[1 - first] -= there
        return abs(here) + abs(there), np.abs(np.cumsum(np.cumsum(rest))).sum()

    reach = DETECTOR.reach
    frame, behind = np.eye(2 * reach)[reach - 1], np.eye(2 * reach)[reach]
    points = [frame, *DETECTOR.taps, behind]
    for before, row, after in zip(points, points[1:], points[2:], strict=False):
        straight, curved = straight_and_curved(row, 1 - reach)
        over = np.abs(np.cumsum(np.cumsum(2.0 * row - before - after))).sum() / 8.0
        assert straight <= limiter._TOPS["straight_sum"]
        assert curved + over <= limiter._TOPS["curvature_sum"]
    assert 1.25 * DETECTOR.absolute_sum <= limiter._TOPS["absolute_sum"]
    even, odd = limiter._meter_rows()[::2], np.vstack((limiter._meter_rows()[1::2], np.zeros(6)))
    for e, o in zip(even, odd, strict=True):
        row = np.concatenate(((e + o)[::-1], e - o))
        straight, curved = straight_and_curved(row, -5)
        assert straight <= limiter._TOPS["straight_sum"]
        assert curved <= limiter._TOPS["curvature_sum"]
        assert np.abs(row).sum() <= limiter._TOPS["absolute_sum"]


def test_plain_python_and_compiled_loops_agree():
    x = noise(250 / RATE, RATE, 0.0)
    up = scratch(DETECTOR, 2, np.float64)[:, :84].copy()
    rows = noise(7, 6, 0.0, 1).reshape(7, 6)
    # As in a stream, frames enough for the taps lie on both sides of every run and of the frame beside it.
    starts, stops = np.array([DETECTOR.reach + 4, 120]), np.array([90, 170])
    results = []
    for loops in (lambda f: f, lambda f: f.py_func):
        needs, held = np.zeros((2, 201), np.int32), np.zeros(170, np.int32)
        read, turns, peaks, y = np.zeros(84), np.zeros(84, bool), np.zeros((4, 84)), np.zeros((170, 2))
        found = loops(kernels.find_needs)(
            x.reshape(-1), 2, starts, stops, DETECTOR.mirrored, rows, 0.8, 0.7, up, read, turns, peaks, 0,
            needs,
        )  # fmt: skip
        linked = needs.copy()
        loops(kernels.link_needs)(linked, 0.3)
        loops(kernels.hold_maximum)(needs[0, :200], 30, np.zeros((2, 200), np.int32), held)
        even, dense, two = np.concatenate((np.zeros(32, np.int32), held)), held.copy(), held.copy()
        decibels, line_up = held.copy(), held.copy()
        states = np.zeros((5, 3))
        loops(kernels.release_fixed)(even[32:], states[0], 0.02)
        loops(kernels.release_by_work)(dense, states[1], 0.02, 6.0, 20, 0.01)
        loops(kernels.release_two_stage)(two, states[2], 0.02, 0.002)
        loops(kernels.release_in_db)(decibels, states[3], 0.02)
        loops(kernels.release_straight)(line_up, states[4], 0.02)
        sums, total, most, summed = (np.zeros(size, np.int64) for size in (3, 170, 5, 5))
        loops(kernels.smooth)(even, 15, 17, sums, total)
        scale = 255.0 * kernels.UNIT
        x_flat = x[10:180].reshape(-1)
        loops(kernels.apply_gain)(x_flat, 2, -1, total, scale, y.reshape(-1))
        apart = np.zeros((170, 2))
        loops(kernels.apply_gain)(x_flat, 2, 1, total, scale, apart.reshape(-1))
        whole = np.zeros((170, 2))
        line = LimiterLine(
            first_length=15, second_length=17, needs=np.zeros(200, np.int32), reductions=np.zeros(202, np.int32),
            state=np.zeros(3), sums=np.zeros(3, np.int64), total=np.zeros(64, np.int64),
            longer=np.zeros((2, 200), np.int32),
        )  # fmt: skip
        rests = loops(kernels.turn_down)(
            x_flat, 2, -1, needs[0, :170], tuple(line), (0, 0.02, 0.0, 0.0, 0, 0.0), whole.reshape(-1),
            (3, 165, 20, 44, most, summed),
        )  # fmt: skip
        loops(kernels.meter)(x.reshape(-1), 2, 30, 40, rows, read)
        results.append(
            (found, needs, linked, held, even, dense, two, states, sums, total, most, summed, y, apart, read[:80],
             whole, rests, line.needs, line.state, line.sums, decibels, line_up)
        )
    assert results[0][0] > 10
    for a, b in zip(*results, strict=True):
        # one unit of 2^-30 where a rounding differs; their sums over 15 x 17
        np.testing.assert_allclose(a, b, rtol=1e-6, atol=2)
    _, needs, linked, held, even, _, _, _, _, total, most, summed, y, apart, _, whole, *_ = results[0]
    # by definition, against plain maxima and sums
    np.testing.assert_array_equal(held, [needs[0, n : n + 31].max() for n in range(170)])
    plain = np.convolve(np.convolve(even.astype(np.int64), np.ones(15, np.int64)), np.ones(17, np.int64))
    np.testing.assert_array_equal(total, plain[32 : 32 + 170])
    assert (linked >= needs).all()
    assert (linked.max(axis=0) == needs.max(axis=0)).all()
    np.testing.assert_array_equal(y[:, 1], apart[:, 1])
    # the whole of it, whose needs have the look-ahead before them
    np.testing.assert_allclose(whole[30:], x[40:180] * (1.0 - total[:140, None] / (255.0 * kernels.UNIT)), atol=1e-12)
    assert most[1] == total[:38].max()
    assert summed[1] == total[:38].sum()
