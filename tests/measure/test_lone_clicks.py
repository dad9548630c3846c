"""Clicks put into sounds, and sounds that click by themselves: the first are told, the others are none."""

import numpy as np
import pytest

from autochain.audio.signals import faded, noise, pink_noise, sine
from autochain.measure.clicks import Click, find_clicks, find_pulses
from autochain.measure.ear_model import full_scale_sine_db_spl
from autochain.measure.lone_clicks import lone_clicks
from autochain.measure.spikes import measure_spikes
from autochain.units import db_to_linear

RATE_HZ = 44100
AT = 2 * RATE_HZ + 123
SINE_DB_SPL = full_scale_sine_db_spl(-16.0, 2)


def music(seconds: float = 4.0, seed_hz: float = 220.0) -> np.ndarray:
    """Pink noise that ends at 16 kHz with tones in it: like a mix, it has little near half its rate."""
    tones = sine(seed_hz, seconds, RATE_HZ, -20.0) + sine(1501.0, seconds, RATE_HZ, -40.0)
    sound = pink_noise(seconds, RATE_HZ, -60.0) + tones
    spectrum = np.fft.rfft(sound, axis=0)
    spectrum[np.fft.rfftfreq(len(sound), 1.0 / RATE_HZ) > 16000.0] = 0.0
    return np.fft.irfft(spectrum, len(sound), axis=0)


def told(sound: np.ndarray, rate_hz: int = RATE_HZ) -> tuple[Click, ...]:
    fine = measure_spikes(sound, rate_hz)
    return lone_clicks([*find_clicks(fine), *find_pulses(fine)], [sound], rate_hz, SINE_DB_SPL)


def candidate(at: int = AT) -> Click:
    return Click(at_s=at / RATE_HZ, height_db=-20.0, channels="both", at_top=False)


@pytest.mark.parametrize("width", [1, 2, 3, 4])
@pytest.mark.parametrize(("channels", "name"), [([0, 1], "both"), ([0], "left"), ([1], "right")])
def test_a_click_20_db_under_the_peaks_is_told_and_where(width: int, channels: list[int], name: str) -> None:
    sound = music()
    height = db_to_linear(-20.0) * np.abs(sound[AT - 2205 : AT + 2205]).max()
    for channel in channels:
        sound[AT : AT + width, channel] += height * np.hanning(width + 2)[1:-1]
    (click,) = told(sound)
    assert click.at_s == pytest.approx(AT / RATE_HZ, abs=3.5 / RATE_HZ)
    assert click.channels == name
    assert click.over_mask_db is not None
    assert click.over_mask_db > 3.0
    assert click.stands_out is not None
    assert click.stands_out > 6.0


def test_steps_of_a_16_bit_fade_are_none() -> None:
    # 1 / 32768 is -90 dBFS, whatever stands beside it.
    sound = np.round(faded(sine(110.0, 4.0, RATE_HZ, -40.0), 3.9, RATE_HZ) * 2**15) / 2**15
    assert np.unique(np.abs(sound)).size < 400
    assert told(sound) == ()
    assert lone_clicks([candidate(k) for k in range(20_000, 160_000, 500)], [sound], RATE_HZ, SINE_DB_SPL) == ()


@pytest.mark.parametrize("decay_ms", [3.0, 30.0])
def test_drum_hits_are_none(decay_ms: float) -> None:
    sound, hit = music(), noise(0.2, RATE_HZ, -6.0)
    hit *= np.exp(-np.arange(len(hit)) / (1e-3 * decay_ms * RATE_HZ))[:, np.newaxis]
    for at in (30_000, 70_007, 111_111):
        sound[at : at + len(hit)] += hit
    assert told(sound) == ()
    hits = [candidate(at + k) for at in (30_000, 70_007, 111_111) for k in range(4)]
    assert lone_clicks(hits, [sound], RATE_HZ, SINE_DB_SPL) == ()


@pytest.mark.parametrize("freq_hz", [2.5, 7.0, 110.0])
def test_edges_of_a_pulse_wave_are_none(freq_hz: float) -> None:
    phase = freq_hz * np.arange(4 * RATE_HZ) / RATE_HZ % 1.0
    wave = np.where(phase < 0.2, 0.2, -0.05)
    wave = np.stack([wave, wave], axis=1) + pink_noise(4.0, RATE_HZ, -70.0)
    assert told(wave) == ()


def test_a_sampled_note_cut_in_is_none() -> None:
    # A note that begins away from zero: what follows is another sound.
    sound = music()
    note = 0.3 * np.cos(2.0 * np.pi * 900.0 * np.arange(RATE_HZ) / RATE_HZ) + noise(1.0, RATE_HZ, -40.0)[:, 0]
    sound[AT : AT + RATE_HZ] += note[:, np.newaxis]
    assert told(sound) == ()
    assert lone_clicks([candidate()], [sound], RATE_HZ, SINE_DB_SPL) == ()


def test_a_click_under_a_loud_cymbal_is_none_and_without_it_one() -> None:
    # closed form: 256 samples of white noise of -12 dBFS under a Hann window hold 256 x 0.063 x 3/8 = 6, one sample of
    # -40 dBFS 0.0001: 48 dB less, in every band.
    sound, cymbal = music(), noise(4.0, RATE_HZ, -12.0)
    sound[AT] += db_to_linear(-40.0)
    assert [round(click.at_s * RATE_HZ) for click in told(sound)] == [AT]
    assert lone_clicks([candidate()], [sound + cymbal], RATE_HZ, SINE_DB_SPL) == ()


def test_what_is_masked_is_none_though_it_stands_out() -> None:
    # Noise up to 15 kHz leaves the ends of the spectrum empty, where a click stands out that nobody hears.
    spectrum = np.fft.rfft(noise(4.0, RATE_HZ, -14.0), axis=0)
    spectrum[np.fft.rfftfreq(4 * RATE_HZ, 1.0 / RATE_HZ) > 15000.0] = 0.0
    sound = np.fft.irfft(spectrum, 4 * RATE_HZ, axis=0)
    for level_db, found in ((-52.0, 0), (-3.0, 1)):
        clicked = sound.copy()
        clicked[AT] += db_to_linear(level_db)
        assert find_clicks(measure_spikes(clicked, RATE_HZ))
        assert len(told(clicked)) == found


def test_a_click_that_comes_back_with_the_sound_around_it_is_of_the_sound() -> None:
    bar = music(2.0)
    bar[RATE_HZ] += 0.05
    once = np.concatenate([music(2.0, 230.0), bar, music(2.0, 240.0)])
    assert len(told(once)) == 1
    assert told(np.concatenate([bar, music(2.0, 230.0), bar])) == ()


def test_two_clicks_in_other_surroundings_are_two() -> None:
    sound = music(6.0, 223.7)
    for at in (AT, AT + 77_777):
        sound[at] += 0.05
    assert len(told(sound)) == 2


@pytest.mark.parametrize("rate_hz", [48000, 96000])
def test_other_rates(rate_hz: int) -> None:
    sound = pink_noise(4.0, rate_hz, -30.0)
    for _ in range(4):
        sound = 0.5 * sound + 0.5 * np.roll(sound, 1, axis=0)
    sound[2 * rate_hz] += 0.1
    assert [round(click.at_s * rate_hz) for click in told(sound, rate_hz)] == [2 * rate_hz]


def test_the_blocks_do_not_change_the_result_and_nothing_is_read_without_candidates() -> None:
    sound = music()
    sound[AT, 0] += 0.1
    whole = lone_clicks([candidate()], [sound], RATE_HZ, SINE_DB_SPL)
    assert len(whole) == 1
    assert lone_clicks([candidate()], np.array_split(sound, 37), RATE_HZ, SINE_DB_SPL) == whole

    def unread():
        raise AssertionError
        yield

    assert lone_clicks([], unread(), RATE_HZ, SINE_DB_SPL) == ()
