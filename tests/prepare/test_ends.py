"""Fades that touch neither the first attack nor the last tail."""

import numpy as np
import pytest

from autochain.chain.output import STAGE
from autochain.demo import CHARACTERS, make_demo
from autochain.prepare.ends import find_ends

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
    found = find_ends(song(0.05, 2.0, 1.0, 0.5), RATE_HZ)
    assert found.attack_s == pytest.approx(0.05, abs=0.001)
    assert found.decayed_s == pytest.approx(3.05, abs=0.02)  # closed form: 60 dB after the decay's length
    assert (found.fade_in_ms, found.cut_off_db) == (20, None)
    assert found.fade_out_ms == pytest.approx(500, abs=20)


@pytest.mark.parametrize("head_s", [0.006, 0.012, 0.2])
def test_fades_leave_the_attack_and_the_tail_bit_for_bit(head_s):
    x = song(head_s, 1.0, 0.8, 0.3)
    found = find_ends(x, RATE_HZ)
    assert 5 <= found.fade_in_ms <= min(20, head_s * 1000)
    y = STAGE.process(x, RATE_HZ, STAGE.checked(found.settings)).samples
    first, last = round(found.attack_s * RATE_HZ), round(found.decayed_s * RATE_HZ)
    np.testing.assert_array_equal(y[first:last], x[first:last])
    assert abs(y[0, 0]) < abs(x[0, 0])
    assert abs(y[-1, 0]) < abs(x[-1, 0])


def test_a_song_that_starts_at_once_has_no_fade_in():
    assert find_ends(song(0.0, 1.0, 0.5, 0.2), RATE_HZ).fade_in_ms == 0
    assert find_ends(song(0.003, 1.0, 0.5, 0.2), RATE_HZ).fade_in_ms == 0


def test_digital_silence_needs_no_fade():
    found = find_ends(song(0.5, 1.0, 0.5, 0.5, noise_db=-200.0), RATE_HZ)
    assert found.settings == {}
    assert find_ends(np.zeros((RATE_HZ, 2), dtype=np.float32), RATE_HZ) is None


def test_a_tail_that_was_cut_off_is_told_and_not_faded():
    x = song(0.0, 1.0, 1.0, 0.0)[: round(1.5 * RATE_HZ)]
    found = find_ends(x, RATE_HZ)
    assert found.cut_off_db == pytest.approx(30.0, abs=1.0)  # closed form: half of 60 dB
    assert found.fade_out_ms == 0


@pytest.mark.parametrize("character", CHARACTERS)
def test_demo_mixes_keep_their_first_attack(character):
    x = make_demo(character, RATE_HZ, 12.0, 31)
    found = find_ends(x, RATE_HZ)
    first = round(found.attack_s * RATE_HZ)
    y = STAGE.process(x, RATE_HZ, STAGE.checked(found.settings)).samples
    stop = round(found.decayed_s * RATE_HZ)
    np.testing.assert_array_equal(y[first:stop], x[first:stop])
