import numpy as np
import pytest
from scipy import signal

from autochain.audio.hilbert import half_length_samples
from autochain.chain.rotation import STAGE, rotate
from autochain.errors import ParameterError
from autochain.measure.asymmetry import mean_reduction_db

RATE_HZ = 44100
NOISE = 0.3 * np.random.default_rng(21).standard_normal((30000, 2)).astype(np.float32)


def impulse_response(angle_deg: float) -> tuple[np.ndarray, int]:
    """Response to a click, and the click's place."""
    place = 2 * half_length_samples(RATE_HZ)
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
    before = mean_reduction_db(lead, RATE_HZ, 0.4, loud)
    after = mean_reduction_db(rotate(lead, RATE_HZ, 90.0), RATE_HZ, 0.4, loud)
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
    first = STAGE.process(samples, RATE_HZ, {"angle_deg": angle_deg})
    second = STAGE.process(samples, RATE_HZ, {"angle_deg": angle_deg})
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
    assert 0.0 <= STAGE.latency_samples(RATE_HZ, {"angle_deg": 45.0}) - 0.033 * RATE_HZ < 2.0


def test_angle_out_of_range_is_refused():
    with pytest.raises(ParameterError, match=r"rotation\.angle_deg is 181 deg"):
        STAGE.checked({"angle_deg": 181.0})
