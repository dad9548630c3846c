"""Hidden clip curves are found again."""

import numpy as np
import pytest

from autochain.chain.clipper import STAGE
from autochain.tool.fit_clipper import fit_clipper

T = 10.0 ** (-10.0 / 20.0)


def test_our_clipper_is_found(bounced) -> None:
    settings = STAGE.checked({"ceiling_dbfs": -8.0, "softness": 60.0})

    def ours(x):
        return STAGE.process(x.astype(np.float32), 48000, settings).samples

    fit = fit_clipper(bounced("clipper", ours, bits=16))
    # The hidden settings; tolerances are limits of this project.
    assert fit.model.ceiling_dbfs == pytest.approx(-8.0, abs=0.05)
    assert fit.model.softness == pytest.approx(60.0, abs=2.0)
    assert fit.model.oversampled
    assert fit.model.curve_db == ()


@pytest.mark.parametrize(
    ("curve", "at_threshold"),
    # Value at the threshold: tanh 1, 1 - 4/27 and 2/pi atan(pi/2), from their formulas.
    [
        (np.tanh, 0.76159),
        (lambda u: np.where(np.abs(u) < 1.5, u - 4.0 / 27.0 * u**3, np.sign(u)), 0.85185),
        (lambda u: 2.0 / np.pi * np.arctan(0.5 * np.pi * u), 0.63909),
    ],
)
def test_a_curve_of_its_own_is_kept_as_it_is(bounced, curve, at_threshold: float) -> None:
    fit = fit_clipper(bounced("clipper", lambda x: T * curve(x / T), late=480, polarity=-1))
    model = fit.model
    assert model.curve_db
    assert not model.oversampled
    size = 10.0 ** (np.arange(-30.0, 0.0, 0.7) / 20.0)
    error_db = 20.0 * np.log10(model.curve(size) / (T * curve(size / T)))
    # Beside the curve itself, a closed form; limits of this project.
    assert np.abs(error_db).max() < 0.05
    assert model.curve(np.array([-T]))[0] == pytest.approx(-T * at_threshold, rel=0.005)
    assert fit.programme_db < -45.0


def test_up_and_down_that_differ_are_seen(bounced) -> None:
    fit = fit_clipper(bounced("clipper", lambda x: np.clip(x, -0.5, 0.3)))
    assert fit.asymmetry_db == pytest.approx(20.0 * np.log10(0.5 / 0.3), abs=0.1)
