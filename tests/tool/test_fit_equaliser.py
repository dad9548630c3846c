"""Hidden bands are found again."""

import numpy as np
import pytest

from autochain.tool.fit_equaliser import EqualiserModel, fit_equaliser

BANDS = [
    EqualiserModel(type="bell", freq_hz=120.0, gain_db=4.0, q=1.4),
    EqualiserModel(type="bell", freq_hz=9000.0, gain_db=-5.0, q=2.0, warped=True, level_db=1.0),
    EqualiserModel(type="lowshelf", freq_hz=200.0, gain_db=-4.0, q=0.7),
    EqualiserModel(type="highshelf", freq_hz=6000.0, gain_db=3.0, q=0.7),
    EqualiserModel(type="highpass", freq_hz=80.0, gain_db=0.0, q=0.71),
    EqualiserModel(type="lowpass", freq_hz=7000.0, gain_db=0.0, q=0.71, warped=True),
]


@pytest.mark.parametrize("hidden", BANDS, ids=lambda one: f"{one.type} {one.freq_hz:.0f}")
def test_a_band_is_found(bounced, hidden: EqualiserModel) -> None:
    bounce = bounced("equaliser", lambda x: hidden.process(x, 48000), late=960)
    fit = fit_equaliser(bounce)
    model = fit.model
    assert model.type == hidden.type
    # The hidden settings; tolerances are limits of this project.
    assert model.freq_hz == pytest.approx(hidden.freq_hz, rel=0.01)
    assert model.gain_db == pytest.approx(hidden.gain_db, abs=0.05)
    assert model.q == pytest.approx(hidden.q, rel=0.02)
    assert model.level_db == pytest.approx(hidden.level_db, abs=0.02)
    assert fit.residual_db < 0.02
    # The marks' delay without what the band's own phase adds.
    assert round(bounce.delay_samples - fit.own_delay_samples) == 960


def test_the_warped_bell_has_the_published_coefficients() -> None:
    """W3C Note "Audio EQ Cookbook" (2021), computed: 48 kHz, 1 kHz, +6 dB, Q 1."""
    section = EqualiserModel(type="bell", freq_hz=1000.0, gain_db=6.0, q=1.0, warped=True).section(48000)
    published = [1.04395309, -1.89532072, 0.86772228, -1.89532072, 0.91167537]
    np.testing.assert_allclose(section, published, atol=5e-9)


@pytest.mark.parametrize(
    ("kind", "hz", "gain_db", "published"),
    [
        ("lowshelf", 100.0, 3.0, [1.00160168, -1.98299025, 0.98159051, -1.98301974, 0.98316270]),
        ("highshelf", 8000.0, 2.0, [1.16278490, -0.79050060, 0.29591698, -0.55920188, 0.22740316]),
    ],
)
def test_the_warped_shelves_have_the_published_coefficients(kind, hz, gain_db, published) -> None:
    """The same note, computed: 48 kHz, Q 0.7071."""
    section = EqualiserModel(type=kind, freq_hz=hz, gain_db=gain_db, q=0.5**0.5, warped=True).section(48000)
    np.testing.assert_allclose(section, published, atol=5e-9)
