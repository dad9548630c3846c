"""A clipper that stops at 0 dBFS gives the same samples with the gains that the sheet prints for it."""

import numpy as np
import pytest

from autochain.chain.chain import STAGES
from autochain.demo import make_demo
from autochain.search.facts import StageFacts
from autochain.sheet import Sheet, to_markdown
from autochain.sheet.build import _at_full_scale

RATE_HZ = 44100


def facts(stage, **settings):
    return StageFacts(
        stage=stage, settings=STAGES[stage].checked(settings), input_peak_dbfs=0.0, input_short_term_lufs=-10.0,
        reduction_max_db=None, reduction_typical_db=None, max_at_s=None, trim_db=0.0, cues_s=(0.0,),
    )  # fmt: skip


@pytest.mark.parametrize("softness", [0.0, 35.0, 100.0])
@pytest.mark.parametrize("ceiling_dbfs", [0.4, 2.1, 3.0])
def test_both_ways_give_the_same_samples(ceiling_dbfs, softness):
    x = make_demo("dense_rock", RATE_HZ, 10.0, 3)[2 * RATE_HZ : 6 * RATE_HZ].astype(np.float32)
    drive, clipper = facts("drive", gain_db=11.3), facts("clipper", ceiling_dbfs=ceiling_dbfs, softness=softness)
    same = _at_full_scale(clipper, drive)
    assert same.ceiling_dbfs <= 0.0
    own = {"ceiling_dbfs": same.ceiling_dbfs, "softness": softness}

    def through(*stages):
        y = x
        for name, settings in stages:
            y = STAGES[name].process(y, RATE_HZ, STAGES[name].checked(settings)).samples
        return y

    wanted = through(("drive", drive.settings), ("clipper", clipper.settings))
    assert np.abs(wanted - through(("drive", drive.settings))).max() > 0.1, "nothing was clipped"
    back = 10.0 ** (same.output_gain_db / 20.0)
    by_drive = through(("drive", {"gain_db": same.drive_gain_db}), ("clipper", own)) * back
    by_input = through(("drive", drive.settings), ("drive", {"gain_db": same.input_gain_db}), ("clipper", own)) * back
    # float32 about 1.4 in size: a step is 1.2e-7, and the filters' sums round a few times
    np.testing.assert_allclose(by_drive, wanted, atol=1e-6)
    np.testing.assert_allclose(by_input, wanted, atol=1e-6)


def test_a_ceiling_that_can_be_set_needs_no_other_way():
    assert _at_full_scale(facts("clipper", ceiling_dbfs=0.0), facts("drive", gain_db=3.0)) is None
    assert _at_full_scale(facts("limiter", ceiling_dbtp=-1.0), None) is None


def test_without_a_drive_ahead_the_input_gain_is_told_alone():
    same = _at_full_scale(facts("clipper", ceiling_dbfs=2.0), facts("peak_compressor"))
    assert (same.drive_gain_db, same.input_gain_db, same.output_gain_db) == (None, -2.0, 2.0)


def test_the_table_shows_it_under_the_stage_and_the_json_holds_it(demo_run):
    plain = Sheet.model_validate(demo_run("dense_rock").sheet)
    entries = []
    for entry in plain.stages:
        if entry.stage == "clipper":
            settings = {**entry.settings, "ceiling_dbfs": 2.1, "softness": 20.0}
            told = {"input_gain_db": -2.1, "ceiling_dbfs": 0.0, "output_gain_db": 2.1, "drive_gain_db": 6.3}
            entry = type(entry).model_validate({**entry.model_dump(), "settings": settings, "at_full_scale": told})
        entries.append(entry)
    assert any(entry.at_full_scale for entry in entries), "this sheet has no clipper"
    markdown = to_markdown(plain.model_copy(update={"stages": tuple(entries)}))
    assert (
        "soft clipper that stops at 0 dBFS | input gain -2.1 dB (or the drive at 6.3 dB); ceiling 0.0 dBFS; "
        "softness 20 %; output gain +2.1 dB |"
    ) in markdown
