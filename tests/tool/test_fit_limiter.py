"""Hidden limiters are found again."""

import numpy as np
import pytest

from autochain.chain.limiter import STAGE
from autochain.tool.fit_limiter import fit_limiter
from autochain.tool.limiter_model import LimiterModel


def test_our_limiter_is_found_with_its_true_peak(bounced) -> None:
    settings = STAGE.checked({"ceiling_dbtp": -8.0, "lookahead_ms": 3.0, "release_ms": 80.0})

    def ours(x):
        return STAGE.process(x.astype(np.float32), 48000, settings).samples

    fit = fit_limiter(bounced("limiter", ours, bits=16))
    model = fit.model
    assert (model.way, model.true_peak, model.linked) == ("smooth", True, True)
    assert model.ceiling_dbfs == pytest.approx(-8.0, abs=0.05)
    # To a sample either way: ours looks at the points between a sample and its neighbours, too.
    assert abs(round(48.0 * model.lookahead_ms) - 144) <= 1
    assert model.release_ms == pytest.approx(80.0, rel=0.02)
    assert fit.programme_db < 0.05


@pytest.mark.parametrize("true_peak", [False, True])
def test_ramps_and_sample_peaks_are_told_from_ours(bounced, true_peak: bool) -> None:
    hidden = LimiterModel(
        ceiling_dbfs=-10.0, way="ramp", release_ms=60.0, lookahead_ms=5.0, true_peak=true_peak, linked=False,
        gain_db=2.0,
    )  # fmt: skip
    fit = fit_limiter(bounced("limiter", lambda x: hidden.process(x, 48000)))
    model = fit.model
    assert (model.way, model.true_peak, model.linked) == ("ramp", true_peak, False)
    assert model.ceiling_dbfs == pytest.approx(-10.0, abs=0.05)
    assert model.lookahead_ms == pytest.approx(5.0, rel=0.03)
    assert model.release_ms == pytest.approx(60.0, rel=0.03)


def test_a_limiter_without_look_ahead_is_found(bounced) -> None:
    hidden = LimiterModel(ceiling_dbfs=-12.0, way="instant", release_ms=120.0)
    fit = fit_limiter(bounced("limiter", lambda x: hidden.process(x, 48000)))
    assert fit.model.way == "instant"
    assert fit.model.release_ms == pytest.approx(120.0, rel=0.01)
    assert fit.residual_db < 0.1 * fit.runner_up_db


def test_a_ramp_comes_down_in_a_straight_line_and_back_in_one() -> None:
    """Closed form: halved by one peak of twice the ceiling; 3/4 half-way down and half-way back."""
    size = np.full(1000, 0.1)
    size[500] = 1.0
    model = LimiterModel(ceiling_dbfs=20.0 * np.log10(0.5), way="ramp", release_ms=4.0, lookahead_ms=2.0)
    gain = model.gain(size, 48000)
    assert gain[500] == pytest.approx(0.5)
    assert gain[500 - 48] == pytest.approx(0.75)
    assert gain[500 + 96] == pytest.approx(0.75)
    assert gain[500 - 97] == gain[500 + 193] == 1.0


def test_no_peak_of_a_smooth_limiter_passes_its_ceiling() -> None:
    """Hämäläinen, DAFx-02: the need held over the look-ahead and averaged within it."""
    noise = np.random.default_rng(3).standard_normal((9600, 2))
    for ahead in (1.0, 2.02, 5.0):
        model = LimiterModel(ceiling_dbfs=-6.0, way="smooth", release_ms=50.0, lookahead_ms=ahead, attack_ms=ahead)
        assert np.abs(model.process(noise, 48000)).max() <= 10.0 ** (-6.0 / 20.0) * (1.0 + 1e-9)
