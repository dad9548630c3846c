"""Clicks of known height at a known sample; no click where there is none."""

from importlib import import_module

import numpy as np
import pytest

from autochain.audio.signals import noise, pink_noise, sine, struck
from autochain.measure.clicks import find_clicks, find_pulses
from autochain.measure.spikes import SpikeMeter, measure_spikes

RATE_HZ = 44100
module = import_module("autochain.measure.clicks")  # `autochain.measure` itself is a function


def dull_noise(seconds: float = 4.0, channels: int = 2) -> np.ndarray:
    """Pink noise that falls by 12 dB more per octave above 4 kHz or so, as a mix does."""
    sound = pink_noise(seconds, RATE_HZ, -20.0)[:, :1].repeat(channels, axis=1)
    for _ in range(2):
        sound = 0.5 * sound + 0.5 * np.roll(sound, 1, axis=0)
    return sound


@pytest.mark.parametrize("below_db", [-6.0, -20.0, -30.0])
@pytest.mark.parametrize("at", [44_100, 90_011])
def test_a_click_is_found_at_its_sample_with_its_height(below_db: float, at: int) -> None:
    sound = dull_noise()
    around = np.abs(sound[at - 2205 : at + 2205]).max()
    sound[at] += around * 10.0 ** (below_db / 20.0)
    (click,) = find_clicks(measure_spikes(sound, RATE_HZ))
    assert round(click.at_s * RATE_HZ) == at
    # The least-squares estimate of one odd sample (Godsill and Rayner 1998, ch. 5) is off by what cannot be
    # predicted of the sound there, and a click at full height raises the peak it is compared with.
    assert click.height_db == pytest.approx(below_db, abs=3.0)
    assert click.channels == "both"


@pytest.mark.parametrize(("channel", "name"), [(0, "left"), (1, "right")])
def test_a_click_in_one_channel_is_told_to_be_there(channel: int, name: str) -> None:
    sound = dull_noise()
    sound[60_000, channel] += 0.05
    assert [click.channels for click in find_clicks(measure_spikes(sound, RATE_HZ))] == [name]


def test_sound_without_clicks_has_none() -> None:
    # closed form: Gaussian noise, sines and struck noise hold no sample that its neighbours contradict
    hits = struck(noise(4.0, RATE_HZ, -12.0), RATE_HZ)
    for sound in (noise(4.0, RATE_HZ), dull_noise(), sine(55.0, 4.0, RATE_HZ), sine(9000.0, 4.0, RATE_HZ), hits):
        assert find_clicks(measure_spikes(sound, RATE_HZ)) == ()


@pytest.mark.parametrize("shape", ["square", "sawtooth"])
def test_edges_of_a_synthesiser_are_no_clicks(shape: str) -> None:
    phase = 110.0 * np.arange(4 * RATE_HZ) / RATE_HZ % 1.0
    wave = np.where(phase < 0.5, 0.3, -0.3) if shape == "square" else 0.6 * phase - 0.3
    assert find_clicks(measure_spikes(wave[:, None], RATE_HZ)) == ()


def test_silence_has_none() -> None:
    assert find_clicks(measure_spikes(np.zeros((RATE_HZ, 2)), RATE_HZ)) == ()


def test_the_edges_of_clipped_peaks_are_marked() -> None:
    sound = dull_noise()
    clipped = np.clip(sound, -0.7 * np.abs(sound).max(), 0.7 * np.abs(sound).max())
    assert all(click.at_top for click in find_clicks(measure_spikes(clipped, RATE_HZ)))


@pytest.mark.parametrize("size", [500, 44_100])
def test_the_blocks_do_not_change_a_bit(size: int) -> None:
    sound = dull_noise(1.5).astype(np.float32)
    whole, meter = measure_spikes(sound, RATE_HZ), SpikeMeter(RATE_HZ, 2)
    for start in range(0, len(sound), size):
        meter.push(sound[start : start + size])
    parts = meter.result()
    for name in ("peak", "spike", "place"):
        assert np.array_equal(getattr(whole, name), getattr(parts, name))


@pytest.mark.parametrize("at_once", [300, 1000])
def test_hours_are_looked_through_in_stretches_and_no_click_is_lost_or_told_twice(
    monkeypatch: pytest.MonkeyPatch, at_once: int
) -> None:
    sound = dull_noise(6.0)
    # At, before and behind where stretches meet, and near both ends; spikes together, and in a row that repeats.
    for at_ms in (5, 20, 299, 300, 301, 900, 1000, 1015, 2000, 2040, 2080, 2120, 2160, 3000, 5980, 5995):
        sound[round(at_ms * RATE_HZ / 1000.0)] += 0.2
    cells = measure_spikes(sound, RATE_HZ)
    whole = [find(cells) for find in (find_clicks, find_pulses)]
    assert len(whole[0]) >= 6
    monkeypatch.setattr(module, "_CELLS_AT_ONCE", at_once)
    assert [find(cells) for find in (find_clicks, find_pulses)] == whole
