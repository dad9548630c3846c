"""Steps of known size at a known time."""

import numpy as np
import pytest

from autochain.audio.signals import noise, pink_noise, sine
from autochain.measure.jumps import JumpMeter, find_jumps
from autochain.units import db_to_linear

RATE_HZ = 44100


def jumps_of(sound):
    meter = JumpMeter(RATE_HZ, sound.shape[1])
    meter.push(sound)
    return find_jumps(meter.result())


@pytest.mark.parametrize(("channel", "name"), [(0, "left"), (1, "right")])
@pytest.mark.parametrize("step_db", [3.0, -10.0])
def test_a_step_of_one_channel_is_told_to_be_there(channel: int, name: str, step_db: float) -> None:
    sound = np.repeat(pink_noise(14.0, RATE_HZ, -30.0)[:, :1], 2, axis=1)
    sound[7 * RATE_HZ :, channel] *= db_to_linear(step_db)
    (jump,) = jumps_of(sound)
    assert jump.at_s == pytest.approx(7.0, abs=0.11)
    assert jump.step_db == pytest.approx(step_db, abs=0.5)
    assert jump.channels == name


def test_what_is_no_jump_is_not_found() -> None:
    steady = noise(14.0, RATE_HZ, -20.0)
    swell = steady * np.linspace(0.05, 1.0, len(steady))[:, None]  # 26 dB in 14 s
    entry = pink_noise(14.0, RATE_HZ, -30.0)
    tone = 0.2 * np.sin(2.0 * np.pi * 100.0 * np.arange(7 * RATE_HZ) / RATE_HZ)
    entry[7 * RATE_HZ :] += tone[:, None]  # a part enters
    louder = pink_noise(14.0, RATE_HZ, -30.0)
    louder[7 * RATE_HZ :] *= 2.0  # both channels together: as an arrangement may
    apart = pink_noise(14.0, RATE_HZ, -40.0) + noise(14.0, RATE_HZ, -60.0)
    low = sine(150.0, 14.0, RATE_HZ, -20.0) + sine(350.0, 14.0, RATE_HZ, -20.0)
    pan = np.where(np.arange(14 * RATE_HZ) < 7 * RATE_HZ, 0.2, 1.0)[:, None]
    panned = apart + low * np.concatenate([pan, 1.2 - pan], axis=1)  # one part changes sides
    slow = apart.copy()
    slow[:, 0] *= db_to_linear(1.0) ** np.clip((np.arange(len(slow)) / RATE_HZ - 5.0) * 2.0, 0.0, 8.0)  # a slow fader
    silence, short = np.zeros((14 * RATE_HZ, 2)), steady[: 3 * RATE_HZ]
    for sound in (steady, swell, entry, panned, slow, louder, louder[:, :1], silence, short):
        assert jumps_of(sound) == ()


def test_the_blocks_do_not_change_the_result() -> None:
    sound = np.repeat(pink_noise(12.0, RATE_HZ, -30.0)[:, :1], 2, axis=1).astype(np.float32)
    sound[6 * RATE_HZ :, 0] *= 2.5
    meter = JumpMeter(RATE_HZ, 2)
    for start in range(0, len(sound), 30_001):
        meter.push(sound[start : start + 30_001])
    assert find_jumps(meter.result()) == jumps_of(sound)
    assert len(jumps_of(sound)) == 1
