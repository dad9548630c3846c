"""A bounce is laid beside its test to the sample, or refused with the reason."""

import re

import numpy as np
import pytest
import scipy.signal

from autochain.tool.align import lay_beside
from autochain.tool.refusal import ToolError
from tests.tool.conftest import mix_of_sound, played, spoiled

TEST = "equaliser"


@pytest.mark.parametrize(("late", "polarity", "bits"), [(0, 1, 24), (24000, -1, 16), (37, 1, 16)])
def test_delay_and_polarity_are_found_to_the_sample(late: int, polarity: int, bits: int) -> None:
    sound = spoiled(played(TEST, 48000), late=late, polarity=polarity, bits=bits)
    found = lay_beside(mix_of_sound(sound), (TEST,))
    assert (found.delay_samples, found.polarity) == (late, polarity)
    assert np.abs(found.heard - found.played).max() < 4.0 * 2.0 ** (1 - bits)


def test_a_bounce_that_begins_early_is_found() -> None:
    found = lay_beside(mix_of_sound(played(TEST, 48000)[100:]), (TEST,))
    assert found.delay_samples == -100
    np.testing.assert_allclose(found.heard[100:], found.played[100:], atol=1e-6)


def test_half_a_sample_is_taken_out() -> None:
    sound = played(TEST, 48000)
    spectrum = np.fft.rfft(sound, axis=0)
    turn = np.exp(-1j * np.pi * np.arange(len(spectrum)) / len(sound))[:, None]
    found = lay_beside(mix_of_sound(np.fft.irfft(spectrum * turn, len(sound), axis=0)), (TEST,))
    # Turned by exactly half a sample; the tolerance is a limit of this project.
    assert found.delay_samples == pytest.approx(0.5, abs=0.02)
    assert np.sqrt(np.mean((found.heard - found.played) ** 2)) < 1e-3


@pytest.mark.parametrize(
    ("sound", "reason"),
    [
        (lambda x: scipy.signal.resample_poly(x, 147, 160), "times the test's speed"),
        (lambda x: scipy.signal.resample_poly(x, 10001, 10000), "ppm off the test's speed"),
        (lambda x: x[:-48000], "none at its end"),
        (lambda x: np.concatenate([np.zeros((4 * 48000, 2)), x]), "not in its first"),
        (lambda x: x * (1.0, -1.0), "turned over against the other"),
        (lambda x: 0.0 * x, "it is silent"),
    ],
)
def test_what_cannot_be_laid_beside_it_is_refused_with_the_reason(sound, reason: str) -> None:
    with pytest.raises(ToolError, match=re.escape(reason)):
        lay_beside(mix_of_sound(sound(played(TEST, 48000))), (TEST,))


def test_the_test_of_another_kind_is_refused() -> None:
    with pytest.raises(ToolError, match="made from another test"):
        lay_beside(mix_of_sound(played("limiter", 48000)), (TEST,))


def test_a_rate_that_no_test_has_is_refused() -> None:
    with pytest.raises(ToolError, match="192000 Hz; a test is played and bounced at"):
        lay_beside(mix_of_sound(played(TEST, 48000), 192000), (TEST,))
