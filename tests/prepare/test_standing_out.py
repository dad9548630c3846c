"""What the check says of resonances, and when they send the mix back. All limits: common practice, no source."""

import numpy as np
import pytest
from scipy.signal import lfilter

from autochain.config import read_config
from autochain.demo import make_demo
from autochain.measure.inspection import inspect
from autochain.prepare.corrective import CorrectionRules
from autochain.prepare.readiness import judge
from autochain.prepare.resonances import Resonance, find_resonances
from autochain.prepare.standing_out import resonance_findings

RATE_HZ = 44100
RULES = CorrectionRules()


def resonance(freq_hz, excess_db, times_s=()):
    return Resonance(
        freq_hz=freq_hz, q=4.0, excess_db=excess_db, channel="mid", passing=bool(times_s),
        share=0.4 if times_s else 1.0, times_s=times_s,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("freq_hz", "excess_db", "word", "sends_back"),
    [
        (4000.0, 3.0, "Harshness", False),  # a cut of two thirds, 2 dB, is within 2.5 dB
        (4000.0, 6.0, "Harshness", True),
        (8000.0, 6.0, "A resonance", True),
        (300.0, 9.0, "Mud", False),  # below 2 kHz it may as well be notes
        (100.0, 9.0, "Boom", False),
    ],
)
def test_a_resonance_is_named_by_its_range_and_sends_back_by_the_cut_it_needs(freq_hz, excess_db, word, sends_back):
    (found,) = resonance_findings((resonance(freq_hz, excess_db),), RULES)
    assert (found.code, found.value, found.unit, found.sends_back) == ("resonance", excess_db, "dB", sends_back)
    assert found.text.startswith(f"{word} at {freq_hz:.0f} Hz")
    assert ("notes" in found.suggestion) == (freq_hz < RULES.cut_from_hz)


def test_one_that_comes_and_goes_has_its_times():
    (found,) = resonance_findings((resonance(5000.0, 4.0, (1.0, 12.5)),), RULES)
    assert found.times_s == (1.0, 12.5)
    assert "40 % of the time" in found.text


def test_many_strong_ones_send_the_mix_back():
    # The third strong one is one too many for a master, however small its cut.
    found = resonance_findings(tuple(resonance(f, 3.0) for f in (2500.0, 4000.0, 7000.0)), RULES)
    assert [one.sends_back for one in found] == [False, False, True]


def test_the_check_finds_what_was_put_in():
    # W3C Group Note "Audio EQ Cookbook" (2021), peakingEQ: 8 dB at 4 kHz, q 4
    a, w0 = 10 ** (8.0 / 40), 2 * np.pi * 4000.0 / RATE_HZ
    alpha = np.sin(w0) / 8.0
    b = np.array([1 + alpha * a, -2 * np.cos(w0), 1 - alpha * a])
    d = np.array([1 + alpha / a, -2 * np.cos(w0), 1 - alpha / a])
    hurt = lfilter(b / d[0], d / d[0], make_demo("sparse_acoustic", RATE_HZ, 32.0, 31), axis=0).astype(np.float32)
    seen, config = inspect(hurt, RATE_HZ), read_config()
    ready = judge(seen, config.check, resonance_findings(find_resonances(seen.resonance), config.prepare.rules))
    (found,) = [one for one in ready.findings if one.code == "resonance"]
    assert ready.verdict == "revisit"
    assert found.value == pytest.approx(8.0, abs=2.5)
