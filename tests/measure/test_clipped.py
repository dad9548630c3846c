import numpy as np
import pytest

from autochain.audio.signals import noise, sine
from autochain.measure.clipped import ClippedRunMeter, find_clipped_runs

RATE_HZ = 48000
# Four steps of 16 bits: by how much a run has to stand out on one side.
STEP = 4.0 / 2**15


def by_hand(samples: np.ndarray) -> tuple[int, int]:
    """Count and longest of the runs, by looking at whole channels at once."""
    lengths = []
    for wave in [s * channel for channel in samples.T.astype(float) for s in (1.0, -1.0)]:
        top = wave.max()
        edges = np.flatnonzero(np.diff(np.concatenate([[0], (wave == top).astype(int), [0]])))
        for start, stop in zip(edges[::2], edges[1::2], strict=True):
            outside = [wave[k] for k in (start - 1, stop) if 0 <= k < wave.size]
            if top > 0.0 and stop - start >= 3 and outside and top - min(outside) > STEP:
                lengths.append(stop - start)
    return len(lengths), max(lengths, default=0)


@pytest.mark.parametrize("turned_down", [1.0, 0.25, 0.1])
def test_a_clipped_sine_has_a_run_in_every_half_period(turned_down: float) -> None:
    clipped = np.clip(sine(100.0, 2.0, RATE_HZ), -0.5, 0.5).astype(np.float32) * np.float32(turned_down)
    found = find_clipped_runs(clipped, RATE_HZ)
    # closed form: two per period and channel; above half the peak from 30 to 150 degrees, 160 of 480 samples
    assert found.count == 2 * 200 * 2
    assert found.longest in (160, 161)
    # closed form: the upper runs begin at 30 degrees, 0.83 ms into each 10 ms, the lower ones 5 ms later
    assert found.at_s == pytest.approx(np.arange(200) / 100)


@pytest.mark.parametrize("size", [1, 100, 7000, 200_000])
@pytest.mark.parametrize("channels", [1, 2])
def test_runs_are_those_counted_by_hand_whatever_the_blocks(size: int, channels: int) -> None:
    seconds = 0.2 if size == 1 else 1.0
    samples = np.clip(noise(seconds, RATE_HZ, -10.0, channels), -0.3, 0.35)
    samples[1000:1700] = 0.35  # over more than a hop
    samples[-5:] = -0.3  # up to the end
    samples[:4] = 0.35
    samples = np.concatenate([0.5 * samples, samples]).astype(np.float32)  # the first half does not reach the top
    meter = ClippedRunMeter(RATE_HZ, channels)
    for start in range(0, len(samples), size):
        meter.push(samples[start : start + size])
        if start == 0:
            meter.result()  # looking on the way changes nothing
    found = meter.result()
    assert (found.count, found.longest) == by_hand(samples)
    assert found.count > 50 * seconds
    assert found.longest >= 700
    assert found == find_clipped_runs(samples, RATE_HZ)


@pytest.mark.parametrize(("length", "expected"), [(1, 0), (2, 0), (3, 1), (4, 1)])
def test_three_equal_samples_make_a_run(length: int, expected: int) -> None:
    samples = 0.1 * np.ones((RATE_HZ, 1)) * np.resize([1, -1], RATE_HZ)[:, None]
    samples[500 : 500 + length] = 0.7
    assert find_clipped_runs(samples, RATE_HZ).count == expected


@pytest.mark.parametrize("frequency_hz", [20.0, 41.0, 55.0, 110.0, 440.0])
@pytest.mark.parametrize("level_dbfs", [-0.5, -6.0, -20.0, -40.0])
@pytest.mark.parametrize("rate_hz", [44100, 192000])
def test_rounded_tops_of_low_tones_are_not_clipped(frequency_hz: float, level_dbfs: float, rate_hz: int) -> None:
    tone = np.round(sine(frequency_hz, 1.0, rate_hz, level_dbfs) * 2**15) / 2**15
    top = (tone == tone.max())[:, 0]
    # The test is one: 16-bit words do hold three and more equal samples there.
    if frequency_hz < 100.0 and level_dbfs <= -20.0:
        assert (top[2:] & top[1:-1] & top[:-2]).any()
    assert find_clipped_runs(tone, rate_hz).count == 0


def test_the_steepest_rounded_top_of_three_is_not_clipped() -> None:
    # closed form: 0.45 - 0.94 t^2 steps of 16 bits round to 0 at t = -1, 0, 1 and to -3 at t = 2
    peak, bend = 3276.45, 0.94
    tone = peak * np.cos(np.sqrt(2.0 * bend / peak) * np.arange(-24_000, 24_000))[:, None]
    words = np.round(tone)
    assert (words[24_000 - 2 : 24_000 + 3, 0] - 3276).tolist() == [-3, 0, 0, 0, -3]
    assert words.max() == 3276
    assert find_clipped_runs(words / 2**15, RATE_HZ).count == 0


@pytest.mark.parametrize("size", [100, 480, 48_000])
def test_a_run_at_the_start_of_a_hop_knows_the_step_into_it(size: int) -> None:
    samples = np.full((RATE_HZ, 1), 0.1)
    samples[480 * 3 : 480 * 3 + 10] = 0.7
    samples[480 * 3 + 10 :, 0] = 0.7 - 1e-5 * np.arange(1, RATE_HZ - 480 * 3 - 9)
    meter = ClippedRunMeter(RATE_HZ, 1)
    for start in range(0, len(samples), size):
        meter.push(samples[start : start + size])
    assert meter.result().count == 1
    assert meter.result().at_s == pytest.approx((0.03,))


def test_each_polarity_has_its_own_top_as_in_integer_words() -> None:
    words = np.clip(np.round(sine(300.0, 1.0, RATE_HZ, 6.0) * 2**15), -(2**15), 2**15 - 1) / 2**15
    # closed form: two runs per period and channel although the words reach 1 step further down
    assert find_clipped_runs(words, RATE_HZ).count == 2 * 300 * 2


def test_a_higher_peak_later_leaves_earlier_runs_behind() -> None:
    samples = np.clip(sine(100.0, 2.0, RATE_HZ), -0.5, 0.5).astype(np.float32)
    samples[-1000] = 0.502
    # only the lower runs are left: at 0.5 the wave is not cut off by its own top
    assert find_clipped_runs(samples, RATE_HZ).count == 200 * 2


def test_a_square_wave_is_all_runs() -> None:
    square = 0.5 * np.sign(sine(100.0, 1.0, RATE_HZ, phase_deg=0.01))
    found = find_clipped_runs(square, RATE_HZ)
    assert (found.count, found.longest) == (2 * 100 * 2, 240)


def test_music_like_sound_has_none() -> None:
    assert find_clipped_runs(noise(3.0, RATE_HZ), RATE_HZ).count == 0


@pytest.mark.parametrize("value", [0.0, 0.4, -1.0])
@pytest.mark.parametrize("frames", [0, 2, 50_001])
def test_silence_and_a_constant_have_none(value: float, frames: int) -> None:
    found = find_clipped_runs(np.full((frames, 2), value, np.float32), RATE_HZ)
    assert (found.count, found.longest, found.at_s) == (0, 0, ())
