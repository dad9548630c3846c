import numpy as np
import pytest
from scipy import signal

from autochain.audio.hilbert import pre_echo_db, transformer_half_length_samples
from autochain.chain.rotation import ROTATION_KINDS, STAGE, group_delay_ms
from autochain.chain.settings import StageSettings
from autochain.errors import ParameterError
from tests.levels import linked_reduction_db

RATE_HZ = 44100
ALL_PASS = {"kind": "allpass", "freq_hz": 150.0, "q": 0.7, "sections": 3.0}
NOISE = 0.3 * np.random.default_rng(21).standard_normal((30000, 2)).astype(np.float32)


def rotate(samples, rate_hz, angle_deg):
    return STAGE.process(samples, rate_hz, StageSettings({"angle_deg": angle_deg})).samples


def impulse_response(angle_deg: float) -> tuple[np.ndarray, int]:
    """Response to a click, and the click's place."""
    place = 2 * transformer_half_length_samples(RATE_HZ)
    click = np.zeros((2 * place + 1, 1))
    click[place] = 1.0
    return rotate(click, RATE_HZ, angle_deg)[:, 0], place


@pytest.mark.parametrize("angle_deg", [-135.0, -90.0, 5.0, 45.0, 90.0, 179.0])
def test_magnitude_is_within_a_twentieth_db_and_phase_is_the_angle(angle_deg):
    response, place = impulse_response(angle_deg)
    freq_hz = np.concatenate([np.geomspace(25.0, 500.0, 1500), np.linspace(500.0, 22025.0, 3000)])
    found = signal.freqz(response, worN=freq_hz, fs=RATE_HZ)[1]
    found = found * np.exp(2j * np.pi * freq_hz / RATE_HZ * place)
    assert np.abs(20 * np.log10(np.abs(found))).max() <= 0.05
    # Closed form: cos(w t) becomes cos(w t + angle). 0.05 dB in one part turns the sum by 0.33 degrees.
    assert np.abs(np.angle(found * np.exp(-1j * np.deg2rad(angle_deg)), deg=True)).max() < 0.33


# Closed form: the ideal response is 2/(pi n) at odd n, so 4/pi^2 sum 1/n^2 of its energy of 1 lies beyond n;
# one side has half. The window can only take from it.
@pytest.mark.parametrize(("before_ms", "documented_db"), [(1.0, -23.9), (5.0, -33.1), (10.0, -39.6)])
def test_pre_echo_is_as_documented(before_ms, documented_db):
    response, place = impulse_response(90.0)
    early = place - round(before_ms * 1e-3 * RATE_HZ)
    found_db = 10 * np.log10((response[:early] ** 2).sum() / (response**2).sum())
    ideal = 4 / np.pi**2 * (1.0 / np.arange((place - early + 1) | 1, 4_000_001, 2) ** 2.0).sum()
    assert found_db == pytest.approx(documented_db, abs=0.1)
    assert found_db <= 10 * np.log10(ideal) + 0.05


def test_asymmetric_lead_needs_less_reduction_after_rotation():
    t = np.arange(2 * RATE_HZ) / RATE_HZ
    # A lead with aligned harmonics, as brass and voice have: peaks on one side.
    lead = sum(np.cos(2 * np.pi * 220.0 * k * t) / k for k in range(1, 13))[:, None] * 0.3
    loud = np.ones(200, dtype=bool)
    loud[:10] = loud[-10:] = False  # the tone's abrupt ends are no part of the closed form
    before = linked_reduction_db(lead, RATE_HZ, 0.4, loud)
    after = linked_reduction_db(rotate(lead, RATE_HZ, 90.0), RATE_HZ, 0.4, loud)
    # Closed form: 0.3 sum cos(kt)/k peaks at 0.3 (1 + 1/2 + .. + 1/12); turned by 90 degrees it is a
    # sawtooth's partial sum, which peaks at its first stationary point, t = pi/13. Ripple and sampling move
    # each by 0.05 dB.
    highest = sum(1.0 / k for k in range(1, 13))
    turned = sum(np.sin(k * np.pi / 13) / k for k in range(1, 13))
    assert before - after == pytest.approx(20 * np.log10(highest / turned), abs=0.1)


def test_zero_is_the_identity_bit_for_bit():
    assert np.array_equal(STAGE.process(NOISE, RATE_HZ, STAGE.neutral).samples, NOISE)
    assert STAGE.latency_samples(RATE_HZ, STAGE.neutral) == 0


@pytest.mark.parametrize("angle_deg", [-180.0, 180.0])
def test_180_degrees_is_polarity_bit_for_bit(angle_deg):
    assert np.array_equal(rotate(NOISE, RATE_HZ, angle_deg), -NOISE)


def test_there_and_back_gives_the_signal_again():
    tone = 0.5 * np.sin(2 * np.pi * 300.0 * np.arange(RATE_HZ) / RATE_HZ)[:, None]
    again = rotate(rotate(tone, RATE_HZ, 70.0), RATE_HZ, -70.0)
    # 0.05 dB each way
    assert np.abs(again - tone)[6000:-6000].max() < 0.5 * 2 * 0.0058


def test_swapped_channels_give_swapped_output():
    straight = rotate(NOISE, RATE_HZ, 50.0)
    swapped = rotate(np.ascontiguousarray(NOISE[:, ::-1]), RATE_HZ, 50.0)[:, ::-1]
    # The transform carries the channels as real and imaginary part, which round differently: -120 dB.
    assert np.abs(straight - swapped).max() < 1e-6


@pytest.mark.parametrize("angle_deg", [-180.0, -179.0, -1.0, 1.0, 180.0])
@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_range_ends_are_finite_repeatable_and_keep_shape_dtype_and_input(angle_deg, dtype):
    samples = NOISE.astype(dtype)
    kept = samples.copy()
    first = STAGE.process(samples, RATE_HZ, StageSettings({"angle_deg": angle_deg}))
    second = STAGE.process(samples, RATE_HZ, StageSettings({"angle_deg": angle_deg}))
    assert first.samples.shape == samples.shape
    assert first.samples.dtype == dtype
    assert np.isfinite(first.samples).all()
    assert first.samples.tobytes() == second.samples.tobytes()
    assert np.array_equal(samples, kept)
    assert first.trace is None


def test_silence_stays_silence():
    assert not rotate(np.zeros((5000, 2), dtype=np.float32), RATE_HZ, 33.0).any()


def test_latency_is_half_the_filter():
    # rounded up to the next odd number of samples
    assert 0.0 <= STAGE.latency_samples(RATE_HZ, StageSettings({"angle_deg": 45.0})) - 0.033 * RATE_HZ < 2.0


def test_angle_out_of_range_is_refused():
    with pytest.raises(ParameterError, match=r"rotation\.angle_deg is 181 deg"):
        STAGE.checked({"angle_deg": 181.0})


# Two harmonics, cos t + 0.5 cos 2t, both turned: highest and lowest value. Closed form evaluated on a fine grid;
# at 90 degrees 3 sqrt(3) / 4.
@pytest.mark.parametrize(
    ("angle_deg", "highest", "lowest"),
    [(0, 1.5, -0.75), (30, 1.4772, -0.9642), (60, 1.4095, -1.1491), (90, 1.2990, -1.2990), (180, 0.75, -1.5)],
)
def test_two_harmonics_reach_as_far_as_the_closed_form(angle_deg, highest, lowest):
    t = 2 * np.pi * 100.0 * np.arange(RATE_HZ) / RATE_HZ
    turned = rotate((np.cos(t) + 0.5 * np.cos(2 * t))[:, None], RATE_HZ, angle_deg)[6000:-6000]
    # 0.05 dB of the filter
    assert turned.max() == pytest.approx(highest, abs=0.0058 * 1.5)
    assert turned.min() == pytest.approx(lowest, abs=0.0058 * 1.5)


@pytest.mark.parametrize("settings", [{"angle_deg": 70.0}, ALL_PASS], ids=ROTATION_KINDS)
def test_the_mono_sum_keeps_its_magnitude(settings):
    samples = np.zeros((2 * RATE_HZ, 2))
    samples[RATE_HZ] = [0.7, 0.2]
    samples[RATE_HZ + 40] = [-0.1, 0.4]
    turned = STAGE.process(samples, RATE_HZ, STAGE.checked(settings)).samples
    at = np.arange(60, 44000, 7)  # half hertz: 30 Hz to 22 kHz
    before, after = (np.abs(np.fft.rfft(x.sum(axis=1)))[at] for x in (samples, turned))
    assert np.abs(20 * np.log10(after / before)).max() < 0.05


@pytest.mark.parametrize("sections", [1, 2, 3, 4])
@pytest.mark.parametrize(("freq_hz", "q"), [(20.0, 0.3), (150.0, 0.7), (2000.0, 2.0)])
def test_all_pass_has_magnitude_1(sections, freq_hz, q):
    click = np.zeros((4 * RATE_HZ, 1))
    click[0] = 1.0
    settings = STAGE.checked({"kind": "allpass", "freq_hz": freq_hz, "q": q, "sections": float(sections)})
    magnitude = np.abs(np.fft.rfft(STAGE.process(click, RATE_HZ, settings).samples[:, 0]))
    # definition of an all-pass
    assert np.abs(magnitude - 1.0).max() < 1e-9
    assert STAGE.latency_samples(RATE_HZ, settings) == 0


def test_all_pass_delays_a_low_tone_burst_by_its_group_delay():
    settings = STAGE.checked(ALL_PASS)
    t = (np.arange(RATE_HZ) - RATE_HZ // 2) / RATE_HZ
    burst = (np.exp(-((t / 0.06) ** 2)) * np.cos(2 * np.pi * 150.0 * t))[:, None]
    late = STAGE.process(burst, RATE_HZ, settings).samples
    centres = [float((t * x[:, 0] ** 2).sum() / (x**2).sum()) for x in (burst, late)]
    # Closed form: 3 sections of 4 q / w0. The burst is 10 Hz wide, over which the delay bends by 2 %.
    assert (centres[1] - centres[0]) * 1e3 == pytest.approx(3 * 4 * 0.7 / (2 * np.pi * 150.0) * 1e3, rel=0.02)
    assert group_delay_ms(RATE_HZ, settings, np.array([150.0]))[0] == pytest.approx(8.913, rel=1e-3)
    assert not group_delay_ms(RATE_HZ, StageSettings({"angle_deg": 45.0}), np.array([150.0])).any()


@pytest.mark.parametrize("angle_deg", [-90.0, 30.0, 60.0])
def test_pre_echo_is_that_of_the_ideal_transformer(angle_deg):
    # Kaiser's window leaves 0.99 of the last 1 ms, 0.94 of what lies 5 ms away and 0.80 of 10 ms: up to 1.9 dB less.
    for from_ms, to_ms, most_db in ((5.0, 0.0, 0.01), (5.0, 1.0, 0.3), (10.0, 5.0, 1.9)):
        first, last = (round(ms * 1e-3 * RATE_HZ) for ms in (to_ms, from_ms))
        n = np.arange(first + 1, last + 1)
        ideal = 4 / np.pi**2 * (1.0 / n[n % 2 == 1] ** 2.0).sum() * np.sin(np.deg2rad(angle_deg)) ** 2
        # Closed form: taps 2 / (pi n) at odd n
        found = pre_echo_db(RATE_HZ, angle_deg, from_ms, to_ms)
        assert 10 * np.log10(ideal) - most_db < found <= 10 * np.log10(ideal) + 1e-9
    response, place = impulse_response(angle_deg)
    window = slice(place - round(5e-3 * RATE_HZ), place)
    expected_db = 10 * np.log10((response[window] ** 2).sum())
    assert pre_echo_db(RATE_HZ, angle_deg) == pytest.approx(expected_db, abs=1e-6)


def test_nothing_comes_before_a_reversal():
    assert pre_echo_db(RATE_HZ, 0.0) is None
    assert pre_echo_db(RATE_HZ, 180.0) is None


@pytest.mark.parametrize("settings", [{"angle_deg": 50.0}, {"angle_deg": 180.0}, {}, ALL_PASS])
@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_the_way_the_stream_is_cut_changes_no_bit(settings, dtype):
    samples = NOISE.astype(dtype)
    complete = STAGE.checked(settings)
    whole = STAGE.process(samples, RATE_HZ, complete).samples
    for sizes in ([0, 1, 7], [4096], [len(NOISE)]):
        runner = STAGE.start(RATE_HZ, 2, complete)
        pieces, place, k = [], 0, 0
        while place < len(samples):
            size = sizes[k % len(sizes)]
            pieces.append(runner.push(samples[place : place + size]))
            place, k = place + size, k + 1
        assert np.concatenate([*pieces, runner.finish()]).tobytes() == whole.tobytes()
        assert runner.trace is None


def test_constant_rotation_looks_no_further_ahead_than_its_latency():
    latency = STAGE.latency_samples(RATE_HZ, StageSettings({"angle_deg": 50.0}))
    samples = NOISE.astype(np.float64)
    touched = samples.copy()
    touched[15000] += 1.0
    change = np.abs(rotate(touched, RATE_HZ, 50.0) - rotate(samples, RATE_HZ, 50.0)).max(axis=1)
    # one FFT block rounds anew: 1e-15
    assert np.flatnonzero(change > 1e-12)[0] == 15000 - latency


def test_each_kind_shows_what_it_uses():
    constant, all_pass = STAGE.checked({"angle_deg": 10.0}), STAGE.checked(ALL_PASS)
    names = [p.name for p in STAGE.parameters]
    assert [n for n in names if STAGE.applies(constant, n)] == ["kind", "angle_deg"]
    assert [n for n in names if STAGE.applies(all_pass, n)] == ["kind", "freq_hz", "q", "sections"]


def test_silence_stays_silence_in_the_all_pass():
    silence = np.zeros((5000, 2), dtype=np.float32)
    assert not STAGE.process(silence, RATE_HZ, STAGE.checked(ALL_PASS)).samples.any()
