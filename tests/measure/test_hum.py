"""Hum of known level and family."""

import numpy as np
import pytest

from autochain.audio.signals import noise, pink_noise, sine
from autochain.measure.hum import HumMeter, find_hum

RATE_HZ = 44100
SECONDS = 12.0


def hum(mains_hz: float, level_dbfs: float) -> np.ndarray:
    """Three multiples whose powers add up to the level of a sine of that level."""
    amplitude = 10.0 ** (level_dbfs / 20.0)
    n = np.arange(round(SECONDS * RATE_HZ)) / RATE_HZ
    parts = ((1, 0.8), (2, 0.48), (3, 0.36))  # 0.64 + 0.2304 + 0.1296 = 1
    return amplitude * sum(g * np.sin(2.0 * np.pi * mains_hz * k * n + k) for k, g in parts)[:, None]


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
@pytest.mark.parametrize("off_hz", [-0.03, 0.0, 0.03])  # what the mains wander, from memory
def test_hum_is_found_with_its_level_and_family(mains_hz: float, off_hz: float) -> None:
    sound = pink_noise(SECONDS, RATE_HZ, -30.0) + hum(mains_hz + off_hz, -40.0)
    (found,) = find_hum(sound, RATE_HZ)
    assert found.mains_hz == mains_hz
    assert set(found.lines_hz) >= {mains_hz, 2 * mains_hz, 3 * mains_hz}
    assert found.level_dbfs == pytest.approx(-40.0, abs=1.0)
    assert found.channels == "both"


def test_hum_in_one_channel_is_told_to_be_there() -> None:
    sound = pink_noise(SECONDS, RATE_HZ, -30.0)
    sound[:, 1:] += hum(50.0, -40.0)
    assert [found.channels for found in find_hum(sound, RATE_HZ)] == ["right"]


def test_notes_and_noise_are_no_hum() -> None:
    # A note of the tempered scale is no multiple of 50 or 60 Hz: G1 49.0, B1 61.7, B2 123.5 Hz (closed form).
    notes = [sine(440.0 * 2.0 ** (k / 12.0), SECONDS, RATE_HZ, -20.0) for k in (-38, -34, -22, -10)]
    for sound in (sum(notes) + noise(SECONDS, RATE_HZ, -60.0), noise(SECONDS, RATE_HZ), pink_noise(SECONDS, RATE_HZ)):
        assert find_hum(sound, RATE_HZ) == ()
    assert find_hum(np.zeros((RATE_HZ, 1)), RATE_HZ) == ()
    assert find_hum(np.zeros((6 * RATE_HZ, 1)), RATE_HZ) == ()


def test_the_blocks_do_not_change_the_result() -> None:
    sound = (pink_noise(SECONDS, RATE_HZ, -30.0) + hum(60.0, -45.0)).astype(np.float32)
    meter = HumMeter(RATE_HZ, 2)
    for start in range(0, len(sound), 7001):
        meter.push(sound[start : start + 7001])
    assert meter.result() == find_hum(sound, RATE_HZ)


def test_a_hum_keeps_its_level_and_a_bass_note_on_the_mains_does_not():
    rate_hz, t = 44100, np.arange(72 * 44100) / 44100.0
    line = sum(np.sin(2.0 * np.pi * 60.0 * k * t) / k for k in (1, 2, 3))
    # Half as loud in the middle of three parts of 24 s: 6.02 dB by 20 log10(2).
    played = line * np.where((t >= 24.0) & (t < 48.0), 0.5, 1.0)
    for sound, swing_db in ((line, 0.0), (played, 6.02)):
        (found,) = find_hum((0.01 * sound)[:, None], rate_hz)
        assert found.swing_db == pytest.approx(swing_db, abs=0.2)  # windows of 1 s lie across the change
