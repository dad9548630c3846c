"""The output stage: trim, raised-cosine fades, silence where a file is written."""

import numpy as np
import pytest

from autochain.audio.signals import pink_noise
from autochain.chain.output import STAGE, held_trim_db, with_silence
from autochain.errors import ParameterError

RATE = 44100
NEUTRAL = STAGE.checked(STAGE.neutral)


def out(x, **settings):
    return STAGE.process(x, RATE, STAGE.checked(STAGE.neutral.with_(settings))).samples


def test_neutral_is_the_input_itself():
    x = pink_noise(0.5, RATE)
    assert out(x) is x


def test_fades_are_raised_cosines_and_touch_nothing_between():
    x = np.ones((RATE, 2))
    y = out(x, fade_in_ms=100.0, fade_out_ms=200.0)
    rise, fall = 4410, 8820
    # Hann's window, halves of it: (1 - cos(pi t / T)) / 2 at the middle of every sample.
    t = (np.arange(rise) + 0.5) / rise
    np.testing.assert_allclose(y[:rise, 0], np.sin(0.5 * np.pi * t) ** 2, atol=1e-12)
    assert y[rise // 2, 0] == pytest.approx(0.5, abs=0.001)
    t = (np.arange(fall) + 0.5) / fall
    np.testing.assert_allclose(y[-fall:, 1], np.cos(0.5 * np.pi * t) ** 2, atol=1e-12)
    assert np.array_equal(y[rise:-fall], x[rise:-fall])


def test_fades_that_meet_multiply():
    x = np.ones((441, 1))
    y = out(x, fade_in_ms=10.0, fade_out_ms=10.0)
    rise = out(x, fade_in_ms=10.0)
    np.testing.assert_allclose(y, rise * rise[::-1], atol=1e-12)


def test_a_fade_longer_than_the_sound_ends_at_nothing():
    y = out(np.ones((100, 1)), fade_out_ms=10.0)
    assert y.shape == (100, 1)
    assert y[-1, 0] < 1e-4


def test_the_trim_is_one_gain():
    x = pink_noise(0.2, RATE)
    np.testing.assert_allclose(out(x, trim_db=-1.5), x * 10.0 ** (-1.5 / 20.0), rtol=1e-12)


def test_silence_stands_at_both_ends():
    x = pink_noise(0.2, RATE).astype(np.float32)
    y = with_silence(x, RATE, STAGE.checked({}))
    # common practice, no source: 200 ms before and after
    assert y.shape[0] - x.shape[0] == 2 * 8820
    assert not y[:8820].any()
    assert not y[-8820:].any()
    assert np.array_equal(y[8820:-8820], x)
    assert y.dtype == x.dtype


@pytest.mark.parametrize(
    ("peak", "ceiling", "trim"),
    [(-1.2, -1.0, 0.0), (-1.0, -1.0, -0.1), (-0.95, -1.0, -0.1), (-0.9, -1.0, -0.2), (0.35, -1.0, -1.4)],
)
def test_the_held_trim_is_the_least_settable_one_that_fits(peak, ceiling, trim):
    found = held_trim_db(peak, ceiling, 0.001)
    assert found == pytest.approx(trim, abs=1e-12)
    assert peak + found + 0.001 <= ceiling + 1e-9
    assert found == 0.0 or peak + found + 0.1 + 0.001 > ceiling


def test_what_is_cut_is_silent_at_mix_time_and_gone_in_the_file():
    x = np.ones((RATE, 2), np.float32)
    settings = STAGE.checked({"head_cut_ms": 100.0, "tail_cut_ms": 250.0, "fade_in_ms": 10.0, "fade_out_ms": 20.0})
    y = STAGE.process(x, RATE, settings).samples
    assert y.shape == x.shape
    assert not y[:4410].any()
    assert not y[RATE - 11025 :].any()
    assert y[4410:4851].min() > 0.0
    assert np.array_equal(y[4851 : RATE - 11025 - 882], x[4851 : RATE - 11025 - 882])
    whole = with_silence(y, RATE, settings)
    assert np.array_equal(whole, np.pad(y[4410 : RATE - 11025], ((8820, 8820), (0, 0))))


def test_cutting_all_of_a_sound_is_refused_with_its_length():
    settings = STAGE.checked({"head_cut_ms": 600.0, "tail_cut_ms": 400.0})
    with pytest.raises(ParameterError, match="600 and 400 ms: nothing is left of a sound of 1000 ms"):
        with_silence(np.ones((RATE, 2)), RATE, settings)
