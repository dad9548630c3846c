import numpy as np
import pytest
from scipy import signal

from autochain.chain import biquad
from autochain.chain.equaliser import BROAD, CHANNELS, NARROW, PHASES, TYPES, response_db
from autochain.errors import ParameterError

RATE_HZ = 44100
NOISE = 0.3 * np.random.default_rng(31).standard_normal((20000, 2)).astype(np.float32)
MONO_SUM = np.repeat(NOISE[:, :1], 2, axis=1)
FREQ_HZ = np.geomspace(30.0, 20000.0, 600)


def bands(*chosen, phase="minimum", stage=NARROW):
    """Complete settings; a band is a dict with words for type and channel."""
    settings = {"phase": phase}
    for k, band in enumerate(chosen, start=1):
        for name, value in band.items():
            settings[f"band{k}_{name}"] = value
    return stage.checked(settings)


def equalised(samples, settings, rate_hz=RATE_HZ, stage=NARROW):
    return stage.process(samples, rate_hz, settings).samples


HIGH_PASS = {"type": "highpass", "freq_hz": 30.0}
SHELF = {"type": "lowshelf", "freq_hz": 100.0, "gain_db": 2.0}
BELL = {"type": "bell", "freq_hz": 3000.0, "q": 2.0, "gain_db": -3.0}
BOTH = bands(HIGH_PASS, SHELF)
EVERYWHERE = (
    HIGH_PASS,
    {**BELL, "channel": "side"},
    {**SHELF, "channel": "left"},
    {"type": "highshelf", "freq_hz": 8000.0, "gain_db": 2.0, "channel": "mid"},
    {**BELL, "freq_hz": 500.0},
)


def as_sos(*sections):
    return np.array([np.r_[s[:3], 1.0, s[3:]] for s in sections])


def test_sound_goes_through_as_scipys_filter_would_pass_it():
    samples = NOISE.astype(np.float64)
    sos = as_sos(biquad.high_pass(30.0, 0.71, RATE_HZ), biquad.low_shelf(100.0, 2.0, 0.71, RATE_HZ))
    expected = signal.sosfilt(sos, samples, axis=0)
    assert np.abs(equalised(samples, BOTH) - expected).max() < 1e-12
    # one float32 rounding of a sample below 2
    assert np.abs(equalised(NOISE, BOTH) - expected).max() < 1.2e-7


def test_channels_are_filtered_where_they_are_told():
    samples = NOISE.astype(np.float64)
    expected = signal.sosfilt(as_sos(biquad.high_pass(30.0, 0.71, RATE_HZ)), samples, axis=0)
    mid, side = expected.sum(axis=1) / 2, (expected[:, 0] - expected[:, 1]) / 2
    side = signal.sosfilt(as_sos(biquad.bell(3000.0, -3.0, 2.0, RATE_HZ)), side)
    expected = np.stack([mid + side, mid - side], axis=1)
    expected[:, 0] = signal.sosfilt(as_sos(biquad.low_shelf(100.0, 2.0, 0.71, RATE_HZ)), expected[:, 0])
    mid, side = expected.sum(axis=1) / 2, (expected[:, 0] - expected[:, 1]) / 2
    mid = signal.sosfilt(as_sos(biquad.high_shelf(8000.0, 2.0, 0.71, RATE_HZ)), mid)
    expected = np.stack([mid + side, mid - side], axis=1)
    expected = signal.sosfilt(as_sos(biquad.bell(500.0, -3.0, 2.0, RATE_HZ)), expected, axis=0)
    # scipy's filter, M = (L + R)/2, S = (L - R)/2
    assert np.abs(equalised(samples, bands(*EVERYWHERE)) - expected).max() < 1e-12


@pytest.mark.parametrize("phase", PHASES)
def test_neutral_is_the_identity_bit_for_bit(phase):
    nothing = (BELL | {"gain_db": 0.0}, SHELF | {"gain_db": 0.0, "channel": "side"})
    for settings in (bands(phase=phase), bands(*nothing, phase=phase)):
        assert np.array_equal(equalised(NOISE, settings), NOISE)
        assert NARROW.latency_samples(RATE_HZ, settings) == 0
    assert BROAD.checked(BROAD.neutral) == NARROW.checked({})


def test_constant_offset_dies_in_the_high_pass():
    constant = np.full((5 * RATE_HZ, 1), 0.5)
    # Closed form: poles at 30 Hz decay by e^-133 a second
    assert abs(equalised(constant, bands(HIGH_PASS))[-1, 0]) < 1e-9


def test_swapped_channels_give_swapped_output():
    for phase, most in (("minimum", 0.0), ("linear", 1e-6)):  # left and right round differently in one FFT
        settings = bands(HIGH_PASS, {**BELL, "channel": "side"}, {**SHELF, "channel": "mid"}, phase=phase)
        swapped = equalised(np.ascontiguousarray(NOISE[:, ::-1]), settings)[:, ::-1]
        assert np.abs(swapped - equalised(NOISE, settings)).max() <= most


def test_a_band_on_the_side_leaves_a_mono_sum_alone():
    settings = bands({**BELL, "channel": "side"})
    assert np.array_equal(equalised(MONO_SUM, settings), MONO_SUM)
    linear = equalised(MONO_SUM, bands({**BELL, "channel": "side"}, phase="linear"))
    # -120 dB, the rounding of a float32 transform
    assert np.abs(linear - MONO_SUM).max() < 1e-6


@pytest.mark.parametrize("phase", PHASES)
def test_one_channel_is_its_own_mid_and_has_no_side(phase):
    mono = NOISE[:, :1]
    plain = equalised(mono, bands(BELL, phase=phase))
    assert np.array_equal(equalised(mono, bands({**BELL, "channel": "mid"}, phase=phase)), plain)
    assert np.array_equal(equalised(mono, bands({**BELL, "channel": "side"}, phase=phase)), mono)
    assert np.abs(plain[:, 0] - equalised(MONO_SUM, bands(BELL, phase=phase))[:, 0]).max() < 1e-6


def test_left_and_right_are_refused_in_one_channel():
    message = r"equaliser\.band1_channel is right, but the mix has one channel\. Choose stereo or mid"
    with pytest.raises(ParameterError, match=message):
        equalised(NOISE[:, :1], bands({**BELL, "channel": "right"}))


@pytest.mark.parametrize("stage", [NARROW, BROAD], ids=lambda stage: stage.name)
@pytest.mark.parametrize("phase", PHASES)
@pytest.mark.parametrize("rate_hz", [44100, 192000])
def test_range_ends_are_finite_repeatable_and_keep_the_input(stage, phase, rate_hz):
    kept = NOISE.copy()
    ends = {p.name: p.choices or (p.low, p.high) for p in stage.band}
    for kind in ends["type"]:
        for place in (0, 1):
            values = {name: pair[place] for name, pair in ends.items()} | {"type": kind}
            if phase == "linear":
                values["freq_hz"] = max(40.0, values["freq_hz"])  # ten seconds of filter otherwise
            settings = bands(values, phase=phase, stage=stage)
            first = equalised(NOISE, settings, rate_hz, stage)
            assert first.dtype == np.float32
            assert first.shape == NOISE.shape
            assert np.isfinite(first).all()
            assert np.abs(first).max() < 20.0
            assert first.tobytes() == equalised(NOISE, settings, rate_hz, stage).tobytes()
    assert np.array_equal(NOISE, kept)


@pytest.mark.parametrize("phase", PHASES)
@pytest.mark.parametrize("channels", [1, 2])
def test_silence_stays_silence(channels, phase):
    silence = np.zeros((1000, channels), dtype=np.float32)
    assert not equalised(silence, bands(HIGH_PASS, SHELF, phase=phase)).any()


@pytest.mark.parametrize("phase", PHASES)
@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_the_way_the_stream_is_cut_changes_no_bit(phase, dtype):
    settings = bands(*EVERYWHERE, phase=phase)
    samples = NOISE.astype(dtype)
    whole = equalised(samples, settings)
    for sizes in ([0, 1, 7], [4096], [len(NOISE)]):
        runner = NARROW.start(RATE_HZ, 2, settings)
        pieces, place, k = [], 0, 0
        while place < len(samples):
            size = sizes[k % len(sizes)]
            pieces.append(runner.push(samples[place : place + size]))
            place, k = place + size, k + 1
        joined = np.concatenate([*pieces, runner.finish()])
        assert joined.tobytes() == whole.tobytes()
        assert runner.trace is None


def linear_response(settings, rate_hz=RATE_HZ):
    """Response to a click in the middle of its own filter length."""
    half = NARROW.latency_samples(rate_hz, settings)
    click = np.zeros((2 * half + 1, 1))
    click[half] = 1.0
    return equalised(click, settings, rate_hz)[:, 0], half


LINEAR_CASES = {
    "high-pass 20 Hz": [{"type": "highpass", "freq_hz": 20.0}],
    "high-pass 80 Hz": [{"type": "highpass", "freq_hz": 80.0}],
    "narrow bell 50 Hz": [{"freq_hz": 50.0, "q": 4.0, "gain_db": 6.0}],
    "shelves": [SHELF, {"type": "highshelf", "freq_hz": 9000.0, "gain_db": -2.0}],
    "resonant low-pass": [{"type": "lowpass", "freq_hz": 1000.0, "q": 4.0}],
}


@pytest.mark.parametrize("chosen", LINEAR_CASES.values(), ids=LINEAR_CASES)
def test_linear_phase_is_symmetric_and_has_the_magnitude_of_minimum_phase(chosen):
    settings = bands(*chosen, phase="linear")
    response, half = linear_response(settings)
    # a symmetric impulse response is linear phase; rounding of a float64 transform
    assert np.abs(response - response[::-1]).max() < 1e-14
    found = signal.freqz(response, worN=FREQ_HZ, fs=RATE_HZ)[1] * np.exp(2j * np.pi * FREQ_HZ / RATE_HZ * half)
    expected = response_db(settings, FREQ_HZ, RATE_HZ)
    counted = expected > -30.0
    assert np.abs(20 * np.log10(np.abs(found)) - expected)[counted].max() <= 0.1
    assert np.abs(np.angle(found))[counted].max() < 1e-6


def test_linear_phase_takes_seven_time_constants_of_its_slowest_band():
    for freq_hz, q in ((30.0, 0.71), (100.0, 2.0)):
        settings = bands({"type": "highpass", "freq_hz": freq_hz, "q": q}, BELL, phase="linear")
        latency_s = NARROW.latency_samples(RATE_HZ, settings) / RATE_HZ
        # Closed form: the poles of s^2 + s w0/Q + w0^2 decay with Q / (pi f)
        assert latency_s == pytest.approx(7.0 * q / (np.pi * freq_hz), rel=0.01)


def test_linear_phase_looks_no_further_ahead_than_its_latency():
    settings = bands(*EVERYWHERE, phase="linear")
    latency = NARROW.latency_samples(RATE_HZ, settings)
    samples = NOISE.astype(np.float64)
    touched = samples.copy()
    touched[15000] += 1.0
    change = np.abs(equalised(touched, settings) - equalised(samples, settings)).max(axis=1)
    # one FFT block rounds anew: 1e-14
    first = int(np.flatnonzero(change > 1e-12)[0])
    assert first == 15000 - latency


def test_linear_phase_matrix_equals_the_separate_filters():
    samples = NOISE.astype(np.float64)
    chosen = {**BELL, "channel": "side"}
    found = equalised(samples, bands(chosen, phase="linear"))
    mid, side = samples.sum(axis=1, keepdims=True) / 2, (samples[:, :1] - samples[:, 1:]) / 2
    side = equalised(np.ascontiguousarray(side), bands(BELL, phase="linear"))
    assert np.abs(found - np.hstack([mid + side, mid - side])).max() < 1e-12


def test_response_is_what_a_click_shows():
    settings = bands(HIGH_PASS, BELL, {**SHELF, "channel": "side"})
    click = np.zeros((RATE_HZ, 2))
    click[0] = 1.0  # a mono sum: no side
    response = np.abs(np.fft.rfft(equalised(click, settings)[:, 0]))
    at_hz = np.arange(30, 20000, 50)
    assert 20 * np.log10(response[at_hz]) == pytest.approx(response_db(settings, at_hz * 1.0, RATE_HZ, "mid"), abs=1e-6)
    side_click = click * [1.0, -1.0]
    response = np.abs(np.fft.rfft(equalised(side_click, settings)[:, 0]))
    assert 20 * np.log10(response[at_hz]) == pytest.approx(
        response_db(settings, at_hz * 1.0, RATE_HZ, "side"), abs=1e-6
    )


def test_gain_applies_to_bells_and_shelves_only():
    for kind in TYPES:
        settings = bands({"type": kind})
        assert NARROW.applies(settings, "band1_gain_db") == ("pass" not in kind)
        assert NARROW.applies(settings, "band1_q")
        assert NARROW.applies(settings, "phase")


def test_tone_offers_the_first_of_what_the_corrective_does():
    words = {p.name: p.choices for p in BROAD.band}
    assert words["type"] == TYPES[:3]
    assert words["channel"] == CHANNELS[:3]
    with pytest.raises(ParameterError, match=r"tone\.band1_gain_db is 4 dB"):
        BROAD.checked({"band1_gain_db": 4.0})
