"""Fades that touch neither the first attack nor the last tail."""

import numpy as np
import pytest

from autochain.chain.output import STAGE, with_silence
from autochain.demo import CHARACTERS, make_demo
from autochain.prepare.silence_and_fades import find_silence_and_fades

RATE_HZ = 44100


def song(head_s, body_s, decay_s, tail_s, noise_db=-80.0):
    """Noise, a body at full level, an exponential decay of 60 dB in `decay_s`, noise."""
    rng = np.random.default_rng(3)
    counts = [round(s * RATE_HZ) for s in (head_s, body_s, decay_s, tail_s)]
    fall = 10.0 ** (-60.0 * np.arange(counts[2]) / counts[2] / 20.0)
    level = np.concatenate([np.zeros(counts[0]), np.ones(counts[1]), fall, np.zeros(counts[3])])
    body = np.sign(rng.standard_normal(level.size)) * 0.5
    noise = 0.5 * 10.0 ** (noise_db / 20.0) * np.sign(rng.standard_normal(level.size)) if noise_db > -150.0 else 0.0
    return (body * level + noise)[:, None].repeat(2, axis=1).astype(np.float32)


def test_the_attack_and_the_end_of_the_decay_are_found():
    found = find_silence_and_fades(song(0.05, 2.0, 1.0, 0.5), RATE_HZ)
    assert found.attack_s == pytest.approx(0.05, abs=0.001)
    assert found.decayed_s == pytest.approx(3.05, abs=0.02)  # closed form: 60 dB after the decay's length
    assert (found.fade_in_ms, found.cut_off_db) == (20, None)
    assert found.fade_out_ms == pytest.approx(500, abs=20)


@pytest.mark.parametrize("head_s", [0.006, 0.012, 0.2])
def test_fades_leave_the_attack_and_the_tail_bit_for_bit(head_s):
    x = song(head_s, 1.0, 0.8, 0.3)
    found = find_silence_and_fades(x, RATE_HZ)
    assert 5 <= found.fade_in_ms <= min(20, head_s * 1000)
    y = STAGE.process(x, RATE_HZ, STAGE.checked(found.settings)).samples
    first, last = round(found.attack_s * RATE_HZ), round(found.decayed_s * RATE_HZ)
    np.testing.assert_array_equal(y[first:last], x[first:last])
    assert abs(y[0, 0]) < abs(x[0, 0])
    assert abs(y[-1, 0]) < abs(x[-1, 0])


def test_a_song_that_starts_at_once_has_no_fade_in():
    assert find_silence_and_fades(song(0.0, 1.0, 0.5, 0.2), RATE_HZ).fade_in_ms == 0
    assert find_silence_and_fades(song(0.003, 1.0, 0.5, 0.2), RATE_HZ).fade_in_ms == 0


def test_digital_silence_needs_no_fade():
    found = find_silence_and_fades(song(0.5, 1.0, 0.5, 0.5, noise_db=-200.0), RATE_HZ)
    assert found.settings == {"head_cut_ms": 500.0, "tail_cut_ms": 500.0}
    assert find_silence_and_fades(np.zeros((RATE_HZ, 2), dtype=np.float32), RATE_HZ) is None


def test_a_tail_that_was_cut_off_is_told_and_not_faded():
    x = song(0.0, 1.0, 1.0, 0.0)[: round(1.5 * RATE_HZ)]
    found = find_silence_and_fades(x, RATE_HZ)
    assert found.cut_off_db == pytest.approx(30.0, abs=1.0)  # closed form: half of 60 dB
    assert found.fade_out_ms == 0


@pytest.mark.parametrize("character", CHARACTERS)
def test_demo_mixes_keep_their_first_attack(character):
    x = make_demo(character, RATE_HZ, 12.0, 31)
    found = find_silence_and_fades(x, RATE_HZ)
    first = round(found.attack_s * RATE_HZ)
    y = STAGE.process(x, RATE_HZ, STAGE.checked(found.settings)).samples
    stop = round(found.decayed_s * RATE_HZ)
    np.testing.assert_array_equal(y[first:stop], x[first:stop])


def silence(s, channels=2):
    return np.zeros((round(s * RATE_HZ), channels), np.float32)


def test_digital_silence_is_cut_to_the_millisecond_and_nothing_that_sounds():
    x = np.concatenate([silence(1.25), song(0.0, 1.0, 0.5, 0.0, noise_db=-200.0), silence(19.0)])
    found = find_silence_and_fades(x, RATE_HZ)
    assert (found.head_cut_ms, found.fade_in_ms, found.fade_out_ms) == (1250, 0, 0)
    # closed form: the decay of 60 dB in 0.5 s stops at -60 dB, where the file is silent
    assert found.tail_cut_ms == pytest.approx(19000, abs=1)
    settings = STAGE.checked(found.settings)
    y = with_silence(STAGE.process(x, RATE_HZ, settings).samples, RATE_HZ, settings)
    sounds = np.flatnonzero(x[:, 0])
    heard = np.flatnonzero(y[:, 0])
    np.testing.assert_array_equal(y[heard[0] : heard[-1] + 1], x[sounds[0] : sounds[-1] + 1])
    # the silence that is set is the silence that the file has, within the millisecond that is the step
    assert heard[0] / RATE_HZ == pytest.approx(0.2, abs=0.001)
    assert (len(y) - 1 - heard[-1]) / RATE_HZ == pytest.approx(0.2, abs=0.001)


@pytest.mark.parametrize("decay_s", [0.5, 4.0])
def test_a_tail_is_kept_down_to_110_db(decay_s):
    n = round(2.0 * decay_s * RATE_HZ)
    fall = 10.0 ** (-60.0 * np.arange(n) / (decay_s * RATE_HZ) / 20.0)  # 120 dB in all
    tail = (0.5 * fall * np.sign(np.random.default_rng(5).standard_normal(n)))[:, None].repeat(2, axis=1)
    x = np.concatenate([song(0.0, 1.0, 0.01, 0.0, noise_db=-200.0), tail.astype(np.float32), silence(3.0)])
    found = find_silence_and_fades(x, RATE_HZ)
    kept_s = len(x) / RATE_HZ - found.tail_cut_ms / 1000.0
    assert kept_s == pytest.approx(1.01 + decay_s * 110.0 / 60.0, abs=0.01)  # closed form
    assert found.fade_out_ms == 0


def test_noise_is_cut_but_for_the_length_of_its_fade():
    x = song(6.0, 1.0, 0.5, 8.0, noise_db=-75.0)
    found = find_silence_and_fades(x, RATE_HZ)
    assert found.head_cut_ms == pytest.approx(6000 - 20, abs=10)
    assert found.fade_in_ms == 20
    assert found.tail_cut_ms == pytest.approx(8000 - 2000, abs=20)
    assert found.fade_out_ms == 2000


@pytest.mark.parametrize("from_db", [-65.0, -80.0])
@pytest.mark.parametrize("at_the_end", [False, True])
def test_a_slow_rise_or_fall_under_60_db_is_no_noise(from_db, at_the_end):
    """20 s that pass through 15 dB: over any of its ends it looks steady for a tenth of a second."""
    n = 20 * RATE_HZ
    level = 0.5 * 10.0 ** ((from_db + 15.0 * np.arange(n) / n) / 20.0)
    quiet = (level * np.sign(np.random.default_rng(6).standard_normal(n)))[:, None].repeat(2, axis=1)
    body = song(0.0, 1.0, 0.01, 0.0, noise_db=-200.0)[: -round(0.005 * RATE_HZ)]
    x = np.concatenate([quiet.astype(np.float32), body])
    found = find_silence_and_fades(x[::-1] if at_the_end else x, RATE_HZ)
    assert (found.head_cut_ms, found.tail_cut_ms) == (0, 0)


def test_a_quiet_intro_of_a_note_is_kept():
    # A note that dies away and comes again, 62 dB under the song's peak.
    t = np.arange(4 * RATE_HZ) / RATE_HZ
    note = 0.5 * 10.0 ** (-62.0 / 20.0) * np.exp(-3.0 * (t % 1.0)) * np.sin(2.0 * np.pi * 220.0 * t)
    x = np.concatenate([note[:, None].repeat(2, axis=1).astype(np.float32), song(0.0, 1.0, 0.5, 0.5)])
    assert find_silence_and_fades(x, RATE_HZ).head_cut_ms <= 1


def test_noise_louder_than_silence_is_kept():
    assert find_silence_and_fades(song(3.0, 1.0, 0.5, 3.0, noise_db=-62.0), RATE_HZ).head_cut_ms == 0
