"""What is wrong with a bounce is told, or refused with the reason."""

import re

import numpy as np
import pytest

from autochain.tool.checks import check_path
from autochain.tool.compressor_model import CompressorModel
from autochain.tool.fit_equaliser import EqualiserModel
from autochain.tool.refusal import ToolError

TURNS_DOWN = CompressorModel(threshold_dbfs=-20.0, ratio=4.0, knee_db=6.0, attack_ms=5.0, release_ms=80.0)
BELL = EqualiserModel(type="bell", freq_hz=3000.0, gain_db=4.0, q=1.0)


def works(x):
    return TURNS_DOWN.process(x, 48000)


def in_part(x, gain):
    """Something that happens for 10 s: muted, or turned over."""
    x[10 * 48000 : 20 * 48000] *= gain
    return x


def test_a_clean_bounce_has_nothing_to_tell(bounced) -> None:
    path = check_path(bounced("compressor", works), "compressor", "b.wav")
    assert path.remarks == ()
    assert abs(path.gain_db) < 0.001
    assert path.noise_dbfs < -90.0


def test_a_gain_behind_it_is_told_with_its_size(bounced) -> None:
    path = check_path(bounced("compressor", lambda x: 1.2 * works(x)), "compressor", "b.wav")
    # Closed form; the tolerance is a limit of this project.
    assert path.gain_db == pytest.approx(20.0 * np.log10(1.2), abs=0.01)
    assert "+1.6 dB: a gain behind the processor" in path.remarks[0]


def test_noise_is_told(bounced) -> None:
    noise = 10.0 ** (-65.0 / 20.0) * np.random.default_rng(1).standard_normal((63 * 48000 + 6720, 2))
    path = check_path(bounced("compressor", lambda x: works(x) + noise[: len(x)]), "compressor", "b.wav")
    # The rms of the noise as it was made; the tolerance is a limit of this project.
    assert path.noise_dbfs == pytest.approx(-65.0, abs=0.5)
    assert "There is noise at -65 dBFS" in path.remarks[0]


@pytest.mark.parametrize(
    ("process", "reason"),
    [
        (lambda x: np.clip(3.0 * works(x), -1.0, 1.0), "it is clipped"),
        (lambda x: BELL.process(works(x), 48000), "something else is in the path"),
        (lambda x: BELL.process(x, 48000), "That is an equaliser, no compressor"),
        (lambda x: x, "nothing happens"),
        (lambda x: works(x) + 0.004 * np.random.default_rng(1).standard_normal(x.shape), "the noise lies at -48 dBFS"),
        (lambda x: in_part(works(x), 0.0), "at 10.0 s of the test it is at rest"),
        (lambda x: in_part(works(x), -1.0), "turned over there"),
    ],
)
def test_what_could_not_be_read_is_refused_with_the_reason(bounced, process, reason: str) -> None:
    with pytest.raises(ToolError, match=re.escape(reason)):
        check_path(bounced("compressor", process), "compressor", "b.wav")


def test_a_compressor_said_to_be_an_equaliser_is_refused(bounced) -> None:
    with pytest.raises(ToolError, match="An equaliser does not"):
        check_path(bounced("equaliser", works), "equaliser", "b.wav")
