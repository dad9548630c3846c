import numpy as np
import pytest
from scipy import signal

from autochain.audio._sections_kernels import run_pair, sum_and_difference
from autochain.audio.allpass import all_pass_group_delay_ms, all_pass_section
from autochain.audio.sections import (
    SectionFilter,
    Step,
    butterworth_high_pass,
    butterworth_low_pass,
    section_response,
)
from autochain.resources import read_table

RATE_HZ = 48000
NOISE = np.random.default_rng(7).standard_normal((5000, 2))
SOS = signal.butter(10, [0.05, 0.4], "bandpass", output="sos")
SECTIONS = tuple(np.delete(SOS, 3, axis=1))


@pytest.mark.parametrize("count", [1, 2, 3, 10])
def test_any_number_of_sections_equals_scipys_cascade(count):
    step = Step(mid_side=False, first=SECTIONS[:count], second=SECTIONS[:1])
    found = SectionFilter([step], 2).push(NOISE)
    expected = np.stack([signal.sosfilt(SOS[:n], NOISE[:, k]) for k, n in ((0, count), (1, 1))], axis=1)
    assert np.abs(found - expected).max() < 1e-12 * max(1.0, np.abs(expected).max())


def test_mid_and_side_go_their_own_ways():
    step = Step(mid_side=True, first=SECTIONS[:2], second=())
    found = SectionFilter([step], 2).push(NOISE)
    mid, side = (NOISE[:, 0] + NOISE[:, 1]) / 2, (NOISE[:, 0] - NOISE[:, 1]) / 2
    mid = signal.sosfilt(SOS[:2], mid)
    assert np.abs(found - np.stack([mid + side, mid - side], axis=1)).max() < 1e-12


def test_response_equals_scipys():
    at_hz = np.geomspace(10.0, 20000.0, 300)
    for section in SECTIONS:
        expected = signal.freqz(section[:3], np.r_[1.0, section[3:]], worN=at_hz, fs=RATE_HZ)[1]
        assert np.abs(section_response(section, at_hz, RATE_HZ) - expected).max() < 1e-12


@pytest.mark.parametrize("freq_hz", [20.0, 200.0, 2000.0])
@pytest.mark.parametrize("q", [0.3, 0.71, 2.0])
def test_all_pass_has_magnitude_1_and_turns_half_a_circle_at_its_frequency(freq_hz, q):
    section = all_pass_section(freq_hz, q, RATE_HZ)
    at_hz = np.concatenate([np.geomspace(5.0, 23000.0, 500), [freq_hz]])
    response = signal.freqz(section[:3], np.r_[1.0, section[3:]], worN=at_hz, fs=RATE_HZ)[1]
    # W3C Note "Audio EQ Cookbook" (2021), APF: |H| = 1, -180 degrees at f0
    assert np.abs(np.abs(response) - 1.0).max() < 1e-9
    assert response[-1] == pytest.approx(-1.0, abs=1e-9)


# Closed form 4 Q / w0, shared/equaliser.toml; the table was found to hold for the digital section within 0.05 %
@pytest.mark.parametrize("row", read_table("equaliser.toml")["all_pass"])
def test_all_pass_group_delay_at_its_frequency_is_the_closed_form(row):
    for sections in (1, 3):
        found = all_pass_group_delay_ms(
            np.array([row["freq_hz"]]), freq_hz=row["freq_hz"], q=row["q"], sections=sections, rate_hz=RATE_HZ
        )
        assert found[0] == pytest.approx(sections * row["delay_ms"], rel=7e-4)


@pytest.mark.parametrize(("freq_hz", "q"), [(60.0, 0.4), (400.0, 1.4), (2000.0, 2.0)])
def test_all_pass_group_delay_equals_scipys_at_every_frequency(freq_hz, q):
    section = all_pass_section(freq_hz, q, RATE_HZ)
    at_hz = np.geomspace(10.0, 20000.0, 200)
    expected = signal.group_delay((section[:3], np.r_[1.0, section[3:]]), w=at_hz, fs=RATE_HZ)[1] / RATE_HZ * 1e3
    found = all_pass_group_delay_ms(at_hz, freq_hz=freq_hz, q=q, sections=1, rate_hz=RATE_HZ)
    # scipy's quotient cancels near 0 Hz
    assert found == pytest.approx(expected, rel=1e-5, abs=1e-5)


def test_compiled_loops_equal_python():
    sections = np.array([SECTIONS[:2], SECTIONS[1:3]])
    results = []
    for pair, mix in ((run_pair, sum_and_difference), (run_pair.py_func, sum_and_difference.py_func)):
        lanes, state = NOISE[:100].copy(), np.zeros((2, 2, 2))
        mix(lanes, 0.5)
        pair(lanes, sections, state)
        results.append((lanes, state))
    assert np.array_equal(results[0][0], results[1][0])
    assert np.array_equal(results[0][1], results[1][1])


BUTTERWORTHS = [(120.0, 44100), (6000.0, 44100), (2000.0, 192000), (0.5, 100), (20.0, 100)]


@pytest.mark.parametrize(("freq_hz", "rate_hz"), BUTTERWORTHS)
def test_butterworth_sections_are_scipys(freq_hz, rate_hz):
    for design, kind in ((butterworth_low_pass, "lowpass"), (butterworth_high_pass, "highpass")):
        b, a = signal.butter(2, freq_hz, kind, fs=rate_hz)
        np.testing.assert_allclose(design(freq_hz, rate_hz), [*b, *a[1:]], atol=1e-9)
