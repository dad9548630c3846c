"""What the check says of resonances, and when they send the mix back. All limits: common practice, no source."""

import re
from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import lfilter

from autochain.config import read_config
from autochain.demo import make_demo
from autochain.measure.inspection import inspect
from autochain.prepare.corrective import CorrectionRules
from autochain.prepare.readiness import judge
from autochain.prepare.resonance_findings import resonance_findings
from autochain.prepare.resonances import Resonance, find_resonances

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
        (4000.0, 6.0, "Harshness", False),  # a cut of two thirds, 4 dB, is within 6 dB
        (4000.0, 12.0, "Harshness", True),
        (8000.0, 12.0, "A resonance", True),
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


def test_a_finding_says_where_it_is_and_how_sure():
    (found,) = resonance_findings((replace(resonance(5000.0, 6.0), usual_db=3.0),), RULES)
    assert (found.freq_hz, found.q, found.channels, found.usual) == (5000.0, 4.0, "mid", 3.0)
    assert found.certainty == "certain"
    (low,) = resonance_findings((resonance(300.0, 12.0),), RULES)
    assert low.certainty == "doubtful"


def test_what_is_only_likely_is_a_remark_that_may_be_music():
    (found,) = resonance_findings((replace(resonance(5000.0, 20.0), certainty="likely"),), RULES)
    assert (found.certainty, found.sends_back) == ("likely", False)
    assert "music itself" in found.suggestion


@pytest.mark.parametrize("excess_db", [3.0, 6.0, 12.0, 25.0, 70.0])
def test_no_more_than_6_db_is_advised_and_beyond_it_that_it_may_be_music(excess_db):
    # a limit of this project
    (found,) = resonance_findings((resonance(5000.0, excess_db),), RULES)
    assert max(float(n) for n in re.findall(r"([0-9.]+) dB", found.suggestion)) <= 6.0
    assert ("music itself" in found.suggestion) == (excess_db > 9.5)


def test_the_check_finds_what_was_put_in():
    # W3C Group Note "Audio EQ Cookbook" (2021), peakingEQ: 8 dB at 4 kHz, q 4: certain, yet nothing to go back for
    a, w0 = 10 ** (8.0 / 40), 2 * np.pi * 4000.0 / RATE_HZ
    alpha = np.sin(w0) / 8.0
    b = np.array([1 + alpha * a, -2 * np.cos(w0), 1 - alpha * a])
    d = np.array([1 + alpha / a, -2 * np.cos(w0), 1 - alpha / a])
    hurt = lfilter(b / d[0], d / d[0], make_demo("sparse_acoustic", RATE_HZ, 32.0, 31), axis=0).astype(np.float32)
    seen, config = inspect(hurt, RATE_HZ), read_config()
    ready = judge(seen, config.check, resonance_findings(find_resonances(seen.resonance), config.prepare.rules))
    (found,) = [one for one in ready.findings if one.code == "resonance"]
    assert not found.sends_back
    assert found.certainty == "certain"
    assert abs(np.log2(found.freq_hz / 4000.0)) <= 1 / 12
    assert found.value == pytest.approx(8.0, abs=2.5)
