import numpy as np
import pytest
from scipy import signal

from autochain.audio.sections import section_response
from autochain.chain import biquad
from autochain.resources import read_table

RATE_HZ = 44100
FREQ_HZ = np.geomspace(5.0, 20000.0, 1200)
TABLE = read_table("equaliser.toml")
DESIGNS = {
    "bell": lambda f, g, q, rate: biquad.bell(f, g, q, rate),
    "lowshelf": lambda f, g, q, rate: biquad.low_shelf(f, g, q, rate),
    "highshelf": lambda f, g, q, rate: biquad.high_shelf(f, g, q, rate),
    "highpass": lambda f, g, q, rate: biquad.high_pass(f, q, rate),
    "lowpass": lambda f, g, q, rate: biquad.low_pass(f, q, rate),
}


def gain_db(section, freq_hz, rate_hz=RATE_HZ):
    response = signal.freqz(section[:3], np.r_[1.0, section[3:]], worN=freq_hz, fs=rate_hz)[1]
    return 20 * np.log10(np.abs(response))


def prototype_db(kind, freq_hz, corner_hz, gain, q):
    """W3C Note "Audio EQ Cookbook" (2021), analogue prototypes, by scipy.signal.freqs."""
    A = 10 ** (gain / 40)
    root = np.sqrt(A) / q
    b, a = {
        "bell": ([1, A / q, 1], [1, 1 / (A * q), 1]),
        "lowshelf": (A * np.array([1, root, A]), [A, root, 1]),
        "highshelf": (A * np.array([A, root, 1]), [1, root, A]),
        "highpass": ([1, 0, 0], [1, 1 / q, 1]),
        "lowpass": ([0, 0, 1], [1, 1 / q, 1]),
    }[kind]
    return 20 * np.log10(np.abs(signal.freqs(b, a, worN=freq_hz / corner_hz)[1]))


def largest_error_db(kind, corner_hz, gain, q, rate_hz=RATE_HZ, floor_db=-40.0):
    analogue = prototype_db(kind, FREQ_HZ, corner_hz, gain, q)
    found = gain_db(DESIGNS[kind](corner_hz, gain, q, rate_hz), FREQ_HZ, rate_hz)
    return np.abs(found - analogue)[analogue > floor_db].max()


# W3C Note "Audio EQ Cookbook" (2021), evaluated independently: shared/equaliser.toml
@pytest.mark.parametrize("row", TABLE["cookbook"][:3])
def test_curves_below_5_khz_are_the_cookbooks(row):
    below = FREQ_HZ[FREQ_HZ <= 5000.0]
    own = DESIGNS[row["type"]](row["freq_hz"], row["gain_db"], row["q"], row["rate_hz"])
    expected = gain_db(np.array(row["section"]), below, row["rate_hz"])
    # 0.019 dB is what the bilinear transform bends the slope of a bell at 1 kHz by, up to 5 kHz
    assert np.abs(gain_db(own, below, row["rate_hz"]) - expected).max() < 0.02


@pytest.mark.parametrize("kind", ["bell", "lowshelf", "highshelf"])
@pytest.mark.parametrize("corner_hz", [20.0, 100.0, 1000.0])
@pytest.mark.parametrize("gain", [-6.0, 3.0])
@pytest.mark.parametrize("q", [0.71, 4.0])
def test_low_corners_give_the_cookbooks_curve_below_5_khz(kind, corner_hz, gain, q):
    below = FREQ_HZ[FREQ_HZ <= 5000.0]
    # The bilinear transform of the note's prototype, by scipy, its corner met by prewarping.
    A = 10 ** (gain / 40)
    root = np.sqrt(A) / q
    b, a = {
        "bell": ([1, A / q, 1], [1, 1 / (A * q), 1]),
        "lowshelf": (A * np.array([1, root, A]), [A, root, 1]),
        "highshelf": (A * np.array([A, root, 1]), [1, root, A]),
    }[kind]
    edge = np.tan(np.pi * corner_hz / RATE_HZ)
    digital = signal.bilinear(b, np.array(a, dtype=float), fs=0.5 / edge)
    expected = 20 * np.log10(np.abs(signal.freqz(*digital, worN=below, fs=RATE_HZ)[1]))
    assert np.abs(gain_db(DESIGNS[kind](corner_hz, gain, q, RATE_HZ), below) - expected).max() < 0.05


def test_cookbook_high_shelf_near_nyquist_is_bent_by_more_than_ours():
    row = TABLE["cookbook"][3]
    arguments = (row["freq_hz"], row["gain_db"], row["q"])
    analogue = prototype_db("highshelf", FREQ_HZ, *arguments)
    own = gain_db(biquad.high_shelf(*arguments, row["rate_hz"]), FREQ_HZ, row["rate_hz"])
    bilinear = gain_db(np.array(row["section"]), FREQ_HZ, row["rate_hz"])
    assert np.abs(own - analogue).max() < 0.01
    assert np.abs(bilinear - analogue).max() > 0.1


def test_bell_at_12_khz_equals_the_matched_table():
    row = TABLE["near_nyquist"]
    section = biquad.bell(row["freq_hz"], row["gain_db"], row["q"], row["rate_hz"])
    found = gain_db(section, np.array(row["at_hz"]), row["rate_hz"])
    # M. Vicanek (2016), evaluated independently, to three decimals: shared/equaliser.toml
    assert found == pytest.approx(row["matched_db"], abs=0.0006)
    # and within 0.35 dB of the analogue curve up to 20 kHz
    assert found[:-1] == pytest.approx(row["analogue_db"][:-1], abs=0.35)


# Largest error at 44.1 kHz up to 20 kHz, as documented. Where a design's error is largest it is the design's, not
# a rounding: half a dB was aimed at for 12 kHz and 6 dB, 0.58 is what a section of this form gives.
@pytest.mark.parametrize(
    ("kind", "corner_hz", "q", "at_6_db", "at_3_db"),
    [
        ("bell", 1000.0, 0.71, 0.02, 0.01),
        ("bell", 5000.0, 0.71, 0.27, 0.14),
        ("bell", 8000.0, 0.4, 0.61, 0.34),
        ("bell", 12000.0, 0.71, 0.59, 0.33),
        ("bell", 12000.0, 1.0, 0.57, 0.32),
        ("bell", 12000.0, 4.0, 0.12, 0.06),
        ("lowshelf", 1000.0, 0.4, 0.02, 0.01),
        ("lowshelf", 5000.0, 1.4, 0.06, 0.03),
        ("highshelf", 8000.0, 0.71, 0.02, 0.01),
        ("highshelf", 12000.0, 0.4, 0.03, 0.02),
        ("highshelf", 12000.0, 4.0, 0.6, 0.3),
        ("highshelf", 16000.0, 0.71, 0.05, 0.03),
        ("highshelf", 20000.0, 0.71, 0.3, 0.3),
    ],
)
@pytest.mark.parametrize("sign", [-1.0, 1.0])
def test_error_against_the_analogue_curve_is_as_documented(kind, corner_hz, q, at_6_db, at_3_db, sign):
    assert largest_error_db(kind, corner_hz, 6.0 * sign, q) <= at_6_db
    assert largest_error_db(kind, corner_hz, 3.0 * sign, q) <= at_3_db


@pytest.mark.parametrize(
    ("kind", "corner_hz", "q", "most_db"),
    [
        ("highpass", 20.0, 0.71, 1e-4),
        ("highpass", 5000.0, 0.71, 0.01),
        ("highpass", 12000.0, 0.71, 0.17),
        ("lowpass", 1000.0, 0.71, 0.04),
        ("lowpass", 5000.0, 2.0, 1.8),
        ("lowpass", 16000.0, 0.71, 0.9),
    ],
)
def test_passes_follow_the_analogue_curve_while_they_take_less_than_40_db(kind, corner_hz, q, most_db):
    assert largest_error_db(kind, corner_hz, 0.0, q) <= most_db


@pytest.mark.parametrize("rate_hz", [48000, 96000, 192000])
def test_higher_rates_err_less(rate_hz):
    for kind in ("bell", "lowshelf", "highshelf"):
        # 1e-4 dB: there both are exact, and rounding decides
        assert largest_error_db(kind, 12000.0, 6.0, 0.71, rate_hz) < largest_error_db(kind, 12000.0, 6.0, 0.71) + 1e-4


@pytest.mark.parametrize("q", [0.3, 0.71, 8.0])
@pytest.mark.parametrize("corner_hz", [25.0, 3000.0, 15000.0])
def test_gain_at_the_corner_and_at_0_hz_is_exact(corner_hz, q):
    at = np.array([1e-3, corner_hz])
    # Definition of each type: W3C Note "Audio EQ Cookbook" (2021)
    assert gain_db(biquad.bell(corner_hz, 4.0, q, RATE_HZ), at) == pytest.approx([0.0, 4.0], abs=1e-5)
    assert gain_db(biquad.low_shelf(corner_hz, 4.0, q, RATE_HZ), at)[0] == pytest.approx(4.0, abs=1e-5)
    assert gain_db(biquad.high_shelf(corner_hz, 4.0, q, RATE_HZ), at)[0] == pytest.approx(0.0, abs=1e-5)
    peak = 20 * np.log10(q)
    assert gain_db(biquad.high_pass(corner_hz, q, RATE_HZ), at)[1] == pytest.approx(peak, abs=1e-5)
    assert gain_db(biquad.low_pass(corner_hz, q, RATE_HZ), at) == pytest.approx([0.0, peak], abs=1e-5)


@pytest.mark.parametrize("kind", ["bell", "lowshelf", "highshelf"])
def test_a_cut_undoes_the_boost(kind):
    for corner_hz in (30.0, 700.0, 12000.0):
        there = section_response(DESIGNS[kind](corner_hz, 5.0, 0.9, RATE_HZ), FREQ_HZ, RATE_HZ)
        back = section_response(DESIGNS[kind](corner_hz, -5.0, 0.9, RATE_HZ), FREQ_HZ, RATE_HZ)
        # identity but for rounding of coefficients next to the unit circle
        assert np.abs(there * back - 1.0).max() < 1e-7


@pytest.mark.parametrize("rate_hz", [44100, 192000])
def test_every_section_and_its_inverse_are_stable_at_the_range_ends(rate_hz):
    for kind, design in DESIGNS.items():
        for corner_hz in (10.0, 100.0, 3000.0, 20000.0):
            for q in (0.3, 0.71, 8.0):
                for gain in (-6.0, -0.1, 0.1, 6.0):
                    section = design(corner_hz, gain, q, rate_hz)
                    assert np.isfinite(section).all()
                    assert np.abs(np.roots(np.r_[1.0, section[3:]])).max() < 1.0
                    if "pass" not in kind:
                        assert np.abs(np.roots(section[:3])).max() < 1.0
