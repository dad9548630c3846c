"""Tone moves toward references, measured in third octaves of the rendered result."""

import numpy as np
import pytest
from scipy.signal import lfilter

from autochain.chain.equaliser import TONE
from autochain.demo import CHARACTERS, make_demo
from autochain.prepare.corrective import BELL, HIGH_SHELF, LOW_SHELF, bands
from autochain.prepare.references import common, profile
from autochain.prepare.tone import find_tone_moves

RATE_HZ = 44100
MOST_DB = 1.5


def song(character="dense_rock", seed=31):
    return make_demo(character, RATE_HZ, 12.0, seed)


def shelved(samples, freq_hz, gain_db, kind):
    # W3C Group Note "Audio EQ Cookbook" (2021), lowShelf and highShelf with S = 1
    a, w0 = 10 ** (gain_db / 40), 2 * np.pi * freq_hz / RATE_HZ
    c, k = np.cos(w0), 2 * np.sqrt(a) * np.sin(w0) / 2 * np.sqrt(2.0)
    s = 1.0 if kind == "low" else -1.0
    b = [(a + 1) - s * (a - 1) * c + k, s * 2 * ((a - 1) - s * (a + 1) * c), (a + 1) - s * (a - 1) * c - k]
    d = [(a + 1) + s * (a - 1) * c + k, -s * 2 * ((a - 1) + s * (a + 1) * c), (a + 1) + s * (a - 1) * c - k]
    return lfilter(a * np.array(b) / d[0], np.array(d) / d[0], samples, axis=0).astype(np.float32)


def moved(samples, moves):
    return TONE.process(samples, RATE_HZ, TONE.checked(bands([m.settings for m in moves]))).samples


def distance_db(one, other):
    """Rms over 40 Hz to 16 kHz of the difference between two balances, the mean not counted."""
    difference = (one.mid_db - other.mid_db)[2:29]
    return float(np.sqrt(np.mean((difference - difference.mean()) ** 2)))


@pytest.mark.parametrize("character", CHARACTERS)
def test_a_mix_that_is_its_own_reference_needs_no_move(character):
    own = profile(song(character), RATE_HZ)
    assert find_tone_moves(own, common([own]), MOST_DB) == ()


@pytest.mark.parametrize(("low_db", "high_db"), [(4.0, -4.0), (-4.0, 4.0), (0.0, 5.0), (5.0, 0.0)])
def test_a_mix_tilted_by_shelves_is_brought_back_within_the_limit(low_db, high_db):
    reference = profile(song(), RATE_HZ)
    tilted = shelved(shelved(song(), 150.0, low_db, "low"), 5000.0, high_db, "high")
    own = profile(tilted, RATE_HZ)
    moves = find_tone_moves(own, common([reference]), MOST_DB)
    assert moves
    assert max(abs(m.gain_db) for m in moves) <= MOST_DB + 1e-9
    assert all(0.4 <= m.q <= 1.0 for m in moves)  # common practice, no source
    after = profile(moved(tilted, moves), RATE_HZ)
    before_db, after_db = distance_db(own, reference), distance_db(after, reference)
    assert after_db < 0.75 * before_db
    for move in moves:  # against the tilt, never with it
        if move.freq_hz <= 100.0 or move.kind == LOW_SHELF:
            assert move.gain_db * low_db <= 0.0
        if move.kind == HIGH_SHELF:
            assert move.gain_db * high_db <= 0.0


def test_inside_the_references_spread_nothing_is_moved():
    # Two references that differ by the very tilt of the mix, one to either side.
    mix = profile(song(), RATE_HZ)
    bright, dark = (profile(shelved(song(), 4000.0, g, "high"), RATE_HZ) for g in (3.0, -3.0))
    assert find_tone_moves(mix, common([bright, dark]), MOST_DB) == ()


def test_side_is_moved_apart_from_mid():
    x = song("bass_heavy_electronic")
    mid, side = x.mean(axis=1, keepdims=True), (x[:, :1] - x[:, 1:]) / 2
    dull = shelved(side, 5000.0, -6.0, "high")
    tilted = np.concatenate([mid + dull, mid - dull], axis=1)
    moves = find_tone_moves(profile(tilted, RATE_HZ), common([profile(x, RATE_HZ)]), MOST_DB)
    assert moves
    assert {m.channel for m in moves} == {"side"}
    assert sum(m.gain_db for m in moves if m.kind != BELL or m.freq_hz >= 4000.0) > 0.0


def test_one_channel_is_moved_as_a_whole():
    x = song()[:, :1]
    moves = find_tone_moves(
        profile(shelved(x, 5000.0, -5.0, "high"), RATE_HZ), common([profile(x, RATE_HZ)]), MOST_DB
    )
    assert moves
    assert {m.channel for m in moves} == {"stereo"}
