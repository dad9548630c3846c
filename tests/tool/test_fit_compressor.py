"""Hidden settings are found again, of ours and of processors that smooth elsewhere."""

from dataclasses import replace

import numpy as np
import pytest

from autochain.chain.compressor import BUS, PEAK
from autochain.tool.compressor_model import CompressorModel
from autochain.tool.fit_compressor import fit_compressor, programme_error_db
from autochain.tool.published import step_times


def ours(stage, rate_hz, **settings):
    return lambda x: stage.process(x.astype(np.float32), rate_hz, stage.checked(settings)).samples


def test_our_bus_compressor_is_found_with_its_side_chain_through_dither_and_delay(bounced) -> None:
    settings = {"threshold_db": -22.0, "ratio": 2.0, "knee_db": 6.0, "attack_ms": 20.0, "release_ms": 150.0,
                "sidechain_hpf_hz": 90.0}  # fmt: skip
    bounce = bounced("compressor", ours(BUS, 48000, **settings), late=9600, polarity=-1, bits=16)
    fit = fit_compressor(bounce)
    model = fit.model
    assert (bounce.delay_samples, bounce.polarity) == (9600, -1)
    assert (model.smooths, model.detector, model.shape, model.link) == ("reduction", "peak", "holds", "loudest")
    assert model.threshold_dbfs == pytest.approx(-22.0, abs=0.05)
    assert model.ratio == pytest.approx(2.0, rel=0.01)
    assert model.knee_db == pytest.approx(6.0, abs=0.2)
    assert model.attack_ms == pytest.approx(20.0, rel=0.02)
    assert model.release_ms == pytest.approx(150.0, rel=0.02)
    assert model.sidechain_hpf_hz == pytest.approx(90.0, rel=0.03)
    assert fit.programme_db < 0.05


def test_a_look_ahead_is_found_to_the_sample(bounced) -> None:
    settings = {"threshold_db": -15.0, "ratio": 4.0, "knee_db": 3.0, "attack_ms": 1.0, "release_ms": 60.0,
                "lookahead_ms": 2.0, "release_shape": "follows", "link_percent": 0.0}  # fmt: skip
    model = fit_compressor(bounced("compressor", ours(PEAK, 44100, **settings), 44100)).model
    assert round(1e-3 * model.lookahead_ms * 44100) == round(2e-3 * 44100)
    assert (model.shape, model.link) == ("follows", "own")
    assert model.attack_ms == pytest.approx(1.0, rel=0.03)
    assert model.release_ms == pytest.approx(60.0, rel=0.02)


@pytest.mark.parametrize("detector", ["rms", "peak"])
def test_a_processor_that_smooths_the_level_is_told_from_ours(bounced, detector) -> None:
    hidden = CompressorModel(
        threshold_dbfs=-19.0, ratio=3.0, knee_db=9.0, attack_ms=4.0, release_ms=60.0, detector=detector, link="mean",
        gain_db=1.5,
    )  # fmt: skip
    bounce = bounced("compressor", lambda x: hidden.process(x, 48000), bits=16)
    fit = fit_compressor(bounce)
    model = fit.model
    assert (model.smooths, model.detector, model.link) == ("level", detector, "mean")
    assert model.threshold_dbfs == pytest.approx(-19.0, abs=0.1)
    assert model.ratio == pytest.approx(3.0, rel=0.02)
    assert model.knee_db == pytest.approx(9.0, abs=0.3)
    assert model.attack_ms == pytest.approx(4.0, rel=0.03)
    assert model.release_ms == pytest.approx(60.0, rel=0.03)
    assert model.gain_db == pytest.approx(1.5, abs=0.02)
    assert fit.runner_up_db > 5.0 * fit.residual_db
    # What a fit is worth can be seen: another ratio is far off on the programme.
    assert programme_error_db(bounce, replace(model, ratio=1.5)) > 10.0 * max(0.02, fit.programme_db)


@pytest.mark.parametrize(
    ("level_db", "gain_db"),
    # Giannoulis, Massberg, Reiss, JAES 60(6) 2012, equation 4: T -20, R 4, W 6, computed from it.
    [(-23.0, 0.0), (-22.0, -0.0625), (-20.0, -0.5625), (-18.0, -1.5625), (-17.0, -2.25), (-10.0, -7.5), (0.0, -15.0)],
)
@pytest.mark.parametrize("smooths", ["level", "reduction"])
def test_the_static_curve_is_the_published_one(level_db: float, gain_db: float, smooths) -> None:
    model = CompressorModel(
        threshold_dbfs=-20.0, ratio=4.0, knee_db=6.0, attack_ms=0.1, release_ms=10.0, smooths=smooths
    )
    steady = np.full((4800, 1), 10.0 ** (level_db / 20.0))
    assert -model.reduction_db(steady, 48000)[-1, 0] == pytest.approx(gain_db, abs=1e-3)


@pytest.mark.parametrize(("detector", "share"), [("peak", 0.920), ("rms", 0.449)])
def test_the_63_percent_time_of_a_smoothed_level_is_that_of_the_closed_form(detector, share: float) -> None:
    """From far below, fraction p of the reduction at t = -tau ln(1 - 10^(-(1 - p) D / v)), D 12 dB; v 20 or 10.

    On a constant input: a tone's own wave would ripple.
    """
    tau_ms = 50.0
    model = CompressorModel(
        threshold_dbfs=-20.0, ratio=4.0, knee_db=0.0, attack_ms=tau_ms, release_ms=tau_ms, detector=detector
    )
    step = np.full((96000, 1), 10.0 ** (-8.0 / 20.0))
    reduction = model.reduction_db(step, 48000)[:, 0]
    at_ms = 1e3 * np.flatnonzero(reduction > 0.632 * reduction[-1])[0] / 48000
    # The formula's own 63.2 % against the end of the step, which is 12 dB over.
    assert at_ms == pytest.approx(share * tau_ms, rel=0.01)


def test_published_times_of_a_smoothed_reduction_follow_its_time_constant() -> None:
    """Exponential in dB: 63.2 % at tau, 10 to 90 % in 2.197 tau; ANSI S3.22 in tau ln(G / 3), G the whole reduction."""
    model = CompressorModel(
        threshold_dbfs=-35.0, ratio=4.0, knee_db=0.0, attack_ms=20.0, release_ms=200.0, smooths="reduction"
    )
    times = step_times(model)
    assert times.attack_63_ms == pytest.approx(20.0, rel=0.04)
    assert times.attack_10_90_ms == pytest.approx(2.197 * 20.0, rel=0.04)
    assert times.attack_s322_ms == pytest.approx(20.0 * np.log(35.0 * 0.75 / 3.0), rel=0.04)
    # Decoupled: the way back takes about attack and release together.
    assert times.release_63_ms == pytest.approx(220.0, rel=0.05)
