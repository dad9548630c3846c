"""Doses, and what goes back to the mix."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import freqz

from autochain.audio.signals import pink_noise
from autochain.chain.dynamic_bell import STAGE as DYNAMIC_BELL
from autochain.chain.equaliser import CHANNELS as EQUALISER_CHANNELS
from autochain.chain.equaliser import NARROW, TYPES
from autochain.prepare import corrective
from autochain.prepare.corrective import CorrectionRules, bands, full_cut_db, plan_corrections
from autochain.prepare.resonances import Resonance

RATE_HZ = 44100
RULES = CorrectionRules()


def resonance(excess_db, *, passing=False, channel="stereo", share=0.4, freq_hz=2500.0):
    return Resonance(
        freq_hz=freq_hz, q=4.0, excess_db=excess_db, channel=channel, passing=passing,
        share=share if passing else 1.0, times_s=(1.0,) if passing else (),
    )  # fmt: skip


def noise(seconds=4.0):
    return pink_noise(seconds, RATE_HZ, -20.0).astype(np.float32)


def planned(*resonances):
    return plan_corrections(resonances, noise(), RATE_HZ, RULES)


def test_choices_stand_where_the_stages_list_them():
    assert corrective.FILTERED_CHANNELS == EQUALISER_CHANNELS
    assert TYPES[:4] == (corrective.BELL, corrective.LOW_SHELF, corrective.HIGH_SHELF, corrective.HIGH_PASS)


@pytest.mark.parametrize(("excess_db", "cut_db", "back"), [(0.5, 0.5, False), (1.5, 1.0, False), (3.0, 1.0, False),
                                                          (9.0, 1.0, False), (12.0, 1.0, True)])  # fmt: skip
def test_a_dose_is_half_to_one_db_and_a_large_excess_goes_back_to_the_mix(excess_db, cut_db, back):
    # common practice, no source: cuts of 0.5 to 1 dB. A limit of this project: back from a cut of more than 6 dB on
    (only,) = planned(resonance(excess_db))
    assert (only.cut_db, only.back_to_mix) == (cut_db, back)


def test_the_third_strong_cut_is_not_made():
    plan = planned(resonance(3.0), resonance(3.0, freq_hz=4000.0), resonance(3.0, freq_hz=6000.0))
    assert [c.cut_db for c in plan] == [1.0, 1.0, 0.0]
    assert [c.back_to_mix for c in plan] == [False, False, False]


# Trade fact: every move is small, 0.5 to 1 dB, at times up to 2 dB, two strong ones. common practice, no source
@given(
    st.lists(
        st.tuples(st.floats(0.1, 30.0), st.booleans(), st.floats(90.0, 12000.0), st.floats(0.05, 0.9)), max_size=8
    )
)
@settings(max_examples=30, deadline=None)
def test_no_mix_gets_more_than_small_doses(found):
    ordered = sorted(found, key=lambda one: -one[0])
    plan = planned(*(resonance(e, passing=p, freq_hz=f, share=s) for e, p, f, s in ordered))
    cuts = [c for c in plan if c.cut_db > 0.0]
    assert all(0.5 <= c.cut_db <= (2.0 if c.resonance.passing else 1.0) for c in cuts)
    assert sum(c.cut_db >= 1.0 for c in cuts) <= 2
    assert all(c.resonance.freq_hz >= RULES.cut_from_hz for c in cuts)
    assert all(c.certainty == "certain" for c in cuts)


def test_where_notes_pass_for_resonances_nothing_is_cut():
    (only,) = planned(resonance(12.0, freq_hz=400.0))
    assert (only.cut_db, only.back_to_mix, only.certainty) == (0.0, False, "doubtful")


@pytest.mark.parametrize("passing", [False, True])
def test_a_remark_is_never_cut_however_large(passing):
    (only,) = planned(replace(resonance(30.0, passing=passing), certainty="likely"))
    assert (only.cut_db, only.back_to_mix, only.certainty) == (0.0, False, "likely")


@pytest.mark.parametrize("excess_db", [2.0, 3.0, 4.5, 6.0, 9.0, 12.0])
def test_the_full_cut_halves_the_excess_or_better_and_leaves_no_hole(excess_db):
    # closed form: what is left of a bell of that height under a bell of the full cut, same place and q
    left = excess_db - full_cut_db(excess_db)
    assert 0.0 <= left <= 0.5 * excess_db


def test_bands_are_settings_that_the_stages_take():
    standing, passing = planned(resonance(3.0, channel="side"), resonance(5.0, passing=True, freq_hz=6000.0))
    eq = NARROW.checked(bands([standing.settings]))
    assert (eq["band1_freq_hz"], eq["band1_gain_db"], eq["band1_q"]) == (2500.0, -1.0, 4.0)
    assert eq.word("band1_channel") == "side"
    bell = DYNAMIC_BELL.checked(bands([passing.settings]))
    assert (bell["band1_freq_hz"], bell["band1_range_db"]) == (6000.0, -2.0)


@pytest.mark.parametrize("passing", [False, True])
def test_a_narrower_hump_than_the_stages_reach_gets_their_narrowest_bell(passing):
    (only,) = planned(replace(resonance(6.0, passing=passing), q=12.0))
    stage = DYNAMIC_BELL if passing else NARROW
    assert stage.checked(bands([only.settings]))["band1_q"] == 8.0


def test_the_threshold_of_a_passing_one_is_passed_for_its_share_of_the_time():
    # A tone whose level falls evenly in dB over 40 dB stands over a level for that level's share of the time.
    t = np.arange(8 * RATE_HZ) / RATE_HZ
    fall = 10 ** (-40.0 * (t / 8.0) / 20.0)
    x = (np.sin(2 * np.pi * 2500.0 * t) * fall)[:, None].repeat(2, axis=1).astype(np.float32)
    (only,) = plan_corrections((resonance(5.0, passing=True, share=0.25),), x, RATE_HZ, RULES)
    assert only.threshold_db == pytest.approx(-10.0, abs=0.3)  # closed form: a quarter of 40 dB down


def test_the_band_pass_is_the_cookbooks():
    # W3C Group Note "Audio EQ Cookbook" (2021), BPF with 0 dB at its centre; scipy evaluates it
    section = corrective.band_pass(2500.0, 4.0, RATE_HZ)
    freq_hz = np.array([2500.0, 100.0])
    gain = np.abs(freqz(section[:3], np.r_[1.0, section[3:]], worN=freq_hz, fs=RATE_HZ)[1])
    assert gain[0] == pytest.approx(1.0, abs=1e-9)
    assert gain[1] < 0.02
