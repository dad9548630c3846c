"""Steps of gain within one sample: closed forms, since the step is put in."""

import numpy as np
import pytest

from autochain.audio.signals import noise, pink_noise, sine
from autochain.measure.clicks import Click
from autochain.measure.edits import separate_edits
from autochain.measure.gain_step import gain_step_db
from autochain.measure.inspection import inspect
from autochain.measure.jumps import JumpMeter
from autochain.units import db_to_linear

RATE_HZ = 44100
AT = 3 * RATE_HZ + 123


def music(seconds: float) -> np.ndarray:
    """Pink noise that ends at 16 kHz with tones in it: like a mix, it has little near half its rate."""
    tones = sine(220.0, seconds, RATE_HZ, -24.0) + sine(1501.0, seconds, RATE_HZ, -30.0)
    sound = pink_noise(seconds, RATE_HZ, -30.0) + tones
    spectrum = np.fft.rfft(sound, axis=0)
    spectrum[np.fft.rfftfreq(len(sound), 1.0 / RATE_HZ) > 16000.0] = 0.0
    return np.fft.irfft(spectrum, len(sound), axis=0)


@pytest.mark.parametrize("step_db", [1.5, 3.0, -3.0, 6.0, -10.0, 18.0])
def test_a_step_is_measured(step_db: float) -> None:
    sound = music(4.0)[:, 0]
    sound[AT:] *= db_to_linear(step_db)
    assert gain_step_db(sound, RATE_HZ, AT) == pytest.approx(step_db, abs=0.1)


def test_what_is_no_step_has_none() -> None:
    sound = music(4.0)[:, 0]
    click, burst, other = sound.copy(), sound.copy(), sound.copy()
    click[AT] += 0.1
    burst[AT : AT + 30] += noise(30 / RATE_HZ, RATE_HZ, -26.0)[:, 0]
    other[AT:] = sound[: len(sound) - AT]  # a cut to another place, at the same level
    for one in (sound, click, burst, other, np.zeros_like(sound), sound[AT - 100 : AT + 100]):
        assert gain_step_db(one, RATE_HZ, min(AT, len(one) // 2)) is None


def test_a_click_in_noise_where_the_sound_grows_is_no_step() -> None:
    # A step upwards, undone, turns the noise after it down: that alone is no explanation. One in ten passed for a step.
    rng = np.random.default_rng(5)
    for _ in range(100):
        sound = music(0.2)[:, 0]
        at = len(sound) // 2 + int(rng.integers(-800, 800))
        sound += db_to_linear(-rng.uniform(60.0, 75.0)) * rng.standard_normal(len(sound))
        grown = db_to_linear(rng.uniform(0.0, 9.0)) - 1.0
        sound[at:] *= 1.0 + grown * np.minimum(1.0, np.arange(len(sound) - at) / rng.integers(30, 600))
        sound[at] += db_to_linear(-rng.uniform(30.0, 50.0))
        assert all(gain_step_db(sound, RATE_HZ, at + shift) is None for shift in range(-3, 4))


@pytest.mark.parametrize(("channels", "name"), [([0, 1], "both"), ([0], "left"), ([1], "right")])
def test_an_edit_is_a_jump_and_no_click(channels: list[int], name: str) -> None:
    sound = music(6.0)
    sound[AT:, channels] *= db_to_linear(3.0)
    seen = inspect(sound.astype(np.float32), RATE_HZ)
    (jump,) = seen.jumps
    assert seen.clicks == ()
    assert jump.at_s == pytest.approx(AT / RATE_HZ, abs=1.5 / RATE_HZ)
    assert jump.step_db == pytest.approx(3.0, abs=0.1)
    assert jump.channels == name


def test_an_edit_is_told_where_the_music_falls_away_right_after_it() -> None:
    sound = music(8.0)
    sound[AT:] *= db_to_linear(4.0)
    falls = np.clip((np.arange(len(sound)) - AT - 0.1 * RATE_HZ) / (0.3 * RATE_HZ), 0.0, 1.0)
    sound *= (10.0 ** (-10.0 * falls / 20.0))[:, None]  # by 10 dB within 0.3 s, as a chord that is let go
    (jump,) = inspect(sound.astype(np.float32), RATE_HZ).jumps
    assert jump.at_s == pytest.approx(AT / RATE_HZ, abs=1.5 / RATE_HZ)
    assert jump.step_db == pytest.approx(4.0, abs=0.1)


def test_a_click_stays_a_click() -> None:
    sound = music(6.0)
    sound[AT] += 0.1
    seen = inspect(sound.astype(np.float32), RATE_HZ)
    assert [round(click.at_s * RATE_HZ) for click in seen.clicks] == [AT]
    assert seen.jumps == ()


def test_the_blocks_do_not_change_the_result_and_nothing_is_read_without_clicks() -> None:
    sound = music(4.0)
    sound[AT:] *= 2.0
    click = Click(at_s=AT / RATE_HZ, height_db=-20.0, channels="both", at_top=False)
    meter = JumpMeter(RATE_HZ, 2)
    meter.push(sound)
    levels = meter.result()
    whole = separate_edits((click,), levels, [sound], RATE_HZ)
    assert separate_edits((click,), levels, np.array_split(sound, 37), RATE_HZ) == whole
    assert [jump.channels for jump in whole[1]] == ["both"]

    def unread():
        raise AssertionError
        yield

    assert separate_edits((), levels, unread(), RATE_HZ) == ((), ())
    # Three or more at the highest level are the edges of clipped peaks; there may be hundreds of them.
    edges = tuple(Click(at_s=k / 10.0, height_db=-20.0, channels="both", at_top=True) for k in range(3))
    assert separate_edits(edges, levels, unread(), RATE_HZ) == (edges, ())


# The step is put in: closed form.
@pytest.mark.parametrize("step_db", [4.0, -4.0])
def test_an_edit_counts_where_the_music_moves_too(step_db: float) -> None:
    sound = music(12.0) * (1.0 + 0.3 * np.sin(2.0 * np.pi * 0.7 * np.arange(12 * RATE_HZ) / RATE_HZ))[:, None]
    at = 6 * RATE_HZ + 77
    sound[at:] *= db_to_linear(step_db)
    (jump,) = inspect(sound.astype(np.float32), RATE_HZ).jumps
    assert (jump.channels, jump.within_a_sample) == ("both", True)
    assert jump.step_db == pytest.approx(step_db, abs=0.1)
    assert jump.at_s == pytest.approx(at / RATE_HZ, abs=1e-4)


def test_a_step_that_the_level_does_not_follow_is_of_one_part() -> None:
    # The louder of two parts steps down for 20 ms and is back: a note that cuts another one off.
    sound = music(12.0)
    at = 6 * RATE_HZ + 77
    sound[at : at + RATE_HZ // 50] *= db_to_linear(-6.0)
    assert inspect(sound.astype(np.float32), RATE_HZ).jumps == ()


def test_hits_a_chorus_and_a_fade_are_no_jumps() -> None:
    rng = np.random.default_rng(3)
    quiet, at = music(14.0), 7 * RATE_HZ
    hit, chorus, fade = quiet.copy(), quiet.copy(), quiet.copy()
    ring = np.exp(-np.arange(RATE_HZ) / (0.08 * RATE_HZ))[:, None]
    hit[at : at + RATE_HZ] += 0.3 * ring * rng.standard_normal((RATE_HZ, 1))
    more = music(7.0) + 0.2 * np.sin(2.0 * np.pi * 98.0 * np.arange(7 * RATE_HZ) / RATE_HZ)[:, None]
    chorus[at:] += np.minimum(1.0, np.arange(7 * RATE_HZ) / (0.005 * RATE_HZ))[:, None] * 1.5 * more[::-1]
    fade[at:] *= np.linspace(1.0, 0.0, 7 * RATE_HZ)[:, None]
    for sound in (hit, chorus, fade):
        assert inspect(sound.astype(np.float32), RATE_HZ).jumps == ()
