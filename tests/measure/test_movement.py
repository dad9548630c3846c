import numpy as np
import pyebur128
import pytest
from scipy import signal

from autochain.audio.signals import tones
from autochain.measure.movement import contrast_loss_lu, gain_movement_db, gain_trace_db, short_term_overshoot_lu


def trace(
    frequency_hz: float, seconds: float = 6.0, amplitude_db: float = 2.0, phase: float = 0.7
) -> np.ndarray:
    t = np.arange(round(seconds * 100)) / 100
    return (3.0 + amplitude_db * np.sin(2 * np.pi * frequency_hz * t + phase)).astype(np.float32)


def movement(*traces: np.ndarray) -> float:
    return gain_movement_db(traces, [np.ones(t.size, bool) for t in traces])


@pytest.mark.parametrize("phase", [0.0, 0.7, np.pi / 2, 4.0])
@pytest.mark.parametrize("frequency_hz", [1.5, 2.0, 5.0])
def test_pumping_sine_reads_its_rms(frequency_hz: float, phase: float) -> None:
    # closed form: amplitude / sqrt(2); 4 %: the band's edges and the two ends of a 6 s excerpt
    assert movement(trace(frequency_hz, phase=phase)) == pytest.approx(np.sqrt(2.0), rel=0.04)


def test_band_is_six_db_down_at_both_ends() -> None:
    # closed form: second-order Butterworth (3 dB down) run twice; long traces keep the ends out of it
    for edge_hz in (0.5, 20.0):
        reading = movement(trace(edge_hz, seconds=200.0))
        assert 20 * np.log10(reading / np.sqrt(2.0)) == pytest.approx(-6.02, abs=0.1)


def test_gain_faster_than_pumping_is_left_out() -> None:
    # closed form: bilinear Butterworth at 40 of 100 Hz run twice, 1 / (1 + (tan 0.4 pi / tan 0.2 pi)^4),
    # -50.2 dB; ten minutes and 6 %, because the two ends alone leave -40 dB in six seconds
    ratio = 1.0 / (1.0 + (np.tan(0.4 * np.pi) / np.tan(0.2 * np.pi)) ** 4)
    assert movement(trace(40.0, seconds=600.0)) == pytest.approx(np.sqrt(2.0) * ratio, rel=0.06)
    assert movement(trace(40.0)) < 0.02


@pytest.mark.parametrize("phase", [0.0, 0.7, np.pi / 2, 4.0])
def test_fader_move_is_no_pumping(phase: float) -> None:
    # 0.05 Hz lies a decade under the band: under 2 % of the amplitude, ends of a short excerpt included
    assert movement(trace(0.05, phase=phase)) < 0.04


def test_steady_reduction_and_straight_ramp_do_not_move() -> None:
    assert movement(np.full(600, 4.0, np.float32)) == pytest.approx(0.0, abs=1e-6)
    assert movement(np.linspace(0.0, 6.0, 600)) == pytest.approx(0.0, abs=1e-6)


def test_only_loud_samples_count() -> None:
    loud = np.arange(1200) < 600
    calm_then_moving = np.concatenate([np.full(600, 3.0), trace(2.0)])
    # of a movement of 1.41 dB; the filter rings a little across the border
    assert gain_movement_db([calm_then_moving], [loud]) < 0.3
    assert gain_movement_db([calm_then_moving], [~loud]) > 1.2


def test_segments_are_pooled_by_power() -> None:
    reading = movement(trace(2.0, 20.0), np.full(2000, 3.0))
    # closed form: half the samples move, so the power halves
    assert reading == pytest.approx(1.0, rel=0.02)


def test_nothing_loud_moves_nothing() -> None:
    assert gain_movement_db([trace(2.0)], [np.zeros(600, bool)]) == 0.0
    assert gain_movement_db([], []) == 0.0
    assert gain_movement_db([np.zeros(1)], [np.ones(1, bool)]) == 0.0


def ramp() -> np.ndarray:
    return np.linspace(-24.0, -12.0, 1001)


def test_halved_contrast_is_lost_by_half() -> None:
    # closed form: percentiles 10 and 95 of an even ramp over 12 LU lie 10.2 LU apart
    assert contrast_loss_lu([ramp()], [-10.0 + 0.5 * (ramp() + 18.0)]) == pytest.approx(5.1, abs=0.01)


def test_gain_and_gained_contrast_lose_nothing() -> None:
    assert contrast_loss_lu([ramp()], [ramp() + 8.0]) == pytest.approx(0.0, abs=1e-9)
    assert contrast_loss_lu([ramp()], [ramp() * 1.5]) == 0.0


def test_parts_under_the_gate_of_the_mix_do_not_count() -> None:
    before = np.concatenate([ramp(), np.full(400, -50.0), np.full(400, -np.inf)])
    after = np.concatenate([ramp(), np.full(400, -20.0), np.full(400, -60.0)])
    assert contrast_loss_lu([before], [after]) == 0.0


def test_segments_are_pooled() -> None:
    quiet, loud = np.full(500, -20.0), np.full(500, -10.0)
    # closed form: two levels 10 LU apart, both far inside the percentiles
    assert contrast_loss_lu([quiet, loud], [loud, loud]) == pytest.approx(10.0)


@pytest.mark.parametrize("levels_dbfs", [(-20.0, -30.0), (-20.0, -15.0), (-40.0, -20.0)])
def test_all_contrast_lost_equals_the_loudness_range(levels_dbfs: tuple[float, float]) -> None:
    # EBU Tech 3342 (2016) table 1, cases 1 to 3: 1 kHz, 20 s each; LRA 10, 5, 20 LU with a tolerance of 1 LU
    samples = tones([(20.0, level) for level in levels_dbfs], 48000)
    mode = pyebur128.MeasurementMode.MODE_LRA | pyebur128.MeasurementMode.MODE_S
    state = pyebur128.R128State(2, 48000, mode)
    short_term = []
    for start in range(0, len(samples), 4800):
        state.add_frames(samples[start : start + 4800].ravel(), 4800)
        if start >= 2 * 48000 + 48000 - 4800:
            short_term.append(pyebur128.get_loudness_shortterm(state))
    series = np.array(short_term)
    lost = contrast_loss_lu([series], [np.full(series.size, -14.0)])
    assert lost == pytest.approx(abs(levels_dbfs[0] - levels_dbfs[1]), abs=1.0)
    # libebur128 reads the same range from histogram-free energies; 0.1 LU: its percentiles do not interpolate
    assert lost == pytest.approx(pyebur128.get_loudness_range(state), abs=0.1)


def test_silence_has_no_contrast() -> None:
    assert contrast_loss_lu([], []) == 0.0
    assert contrast_loss_lu([np.full(5, -np.inf)], [np.full(5, -np.inf)]) == 0.0


def test_overshoot_is_how_much_further_the_loudest_part_stands_out() -> None:
    before = [np.array([-20.0, -np.inf]), np.array([-15.0])]
    after = [np.array([-10.0, -np.inf]), np.array([-5.5])]
    # arithmetic: 18 - 15 = 3 LU above integrated before, 10 - 5.5 = 4.5 LU after
    assert short_term_overshoot_lu(before, after, -18.0, -10.0) == pytest.approx(1.5)
    assert short_term_overshoot_lu(after, before, -10.0, -18.0) == 0.0


def test_silence_does_not_overshoot() -> None:
    assert short_term_overshoot_lu([np.array([-10.0])], [np.array([-10.0])], None, -10.0) == 0.0
    assert short_term_overshoot_lu([], [], -10.0, -10.0) == 0.0


@pytest.mark.parametrize("frames", [2, 3, 50, 2400])
def test_the_pumping_filter_is_scipys_zero_phase_one(frames):
    """scipy.signal: detrend, and sosfiltfilt of two Butterworth designs with mirrored ends."""
    trace = np.abs(np.cumsum(np.random.default_rng(frames).standard_normal(frames))).astype(np.float32)
    sections = np.concatenate(
        [
            signal.butter(2, 0.5, "highpass", fs=100, output="sos"),
            signal.butter(2, 20.0, "lowpass", fs=100, output="sos"),
        ]
    )
    flat = signal.detrend(trace.astype(np.float64))
    moving = signal.sosfiltfilt(sections, flat, padtype="even", padlen=min(300, frames - 1))
    found = gain_movement_db([trace], [np.ones(frames, dtype=bool)])
    assert found == pytest.approx(np.sqrt(np.mean(moving**2)), rel=1e-6, abs=1e-9)


def test_a_gain_trace_is_the_gain_less_its_median():
    reference = np.full(300, 1e-3)
    reference[100:110] = 1e-9  # 60 dB down: tells nothing
    gain_db = np.where(np.arange(300) < 40, -3.0, 2.0)
    trace = gain_trace_db(reference, reference * 10.0 ** (gain_db / 10.0))
    expected = np.where(reference > 1e-6, gain_db - 2.0, 0.0)
    assert trace == pytest.approx(expected, abs=1e-9)
