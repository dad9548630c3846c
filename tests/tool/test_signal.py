"""The tests that are played: long enough, loud enough, the same every time."""

import itertools

import numpy as np
import pytest

from autochain.tool import signal
from tests.tool.conftest import played


@pytest.mark.parametrize("test", signal.TESTS)
def test_a_test_lasts_one_to_two_minutes_and_stays_within_full_scale(test: str) -> None:
    assert 60.0 <= signal.duration_s(test) <= 120.0
    sound = played(test, 48000)
    assert sound.shape == (round(48000 * signal.duration_s(test)), 2)
    assert 0.3 < np.abs(sound).max() <= 1.0


@pytest.mark.parametrize("test", signal.TESTS)
def test_segments_follow_each_other_without_gaps_on_every_rate(test: str) -> None:
    segments = signal.segments(test)
    for one, other in itertools.pairwise(segments):
        assert other.start_s == pytest.approx(one.start_s + one.seconds)
        for rate_hz in signal.TEST_RATES_HZ:
            assert one.span(rate_hz).stop == other.span(rate_hz).start


@pytest.mark.parametrize("test", signal.TESTS)
def test_it_begins_and_ends_with_the_same_mark(test: str) -> None:
    sound = played(test, 48000)
    first, last = (sound[one.span(48000)] for one in signal.marks(test))
    np.testing.assert_array_equal(first, last)
    assert np.abs(first).max() == pytest.approx(10.0 ** (-30.0 / 20.0), rel=0.02)


def test_the_same_test_is_made_twice_and_every_test_has_its_own_hash() -> None:
    np.testing.assert_array_equal(signal.make("compressor", 44100), signal.make("compressor", 44100))
    assert len({signal.test_sha256(test) for test in signal.TESTS}) == len(signal.TESTS)


def test_another_rate_is_the_same_sound() -> None:
    """Power of every segment within 0.1 dB; a single sample lasts as long as the rate makes it."""
    for one in signal.segments("compressor"):
        low, high = (played("compressor", rate_hz)[one.span(rate_hz)] for rate_hz in (44100, 96000))
        if one.shape != "silence":
            assert 10.0 * np.log10(np.mean(low**2) / np.mean(high**2)) == pytest.approx(0.0, abs=0.1)


def test_a_tone_between_the_samples_has_its_true_peak_3_db_over_them() -> None:
    """sin(pi/4) at every sample: 10 lg 2 under the wave (closed form)."""
    (one,) = signal.group("limiter", "between")
    top = np.abs(played("limiter", 48000)[one.span(48000)]).max()
    assert 20.0 * np.log10(top) == pytest.approx(-0.1 - 10.0 * np.log10(2.0), abs=1e-6)
