"""A bounce with one known mistake: the stage that it was made at is named."""

import copy
import json
import re
from dataclasses import replace

import numpy as np
import pytest

from autochain.audio.files import read_mix
from autochain.chain.chain import DEFAULT
from autochain.compare import compare
from autochain.compare.as_json import to_json
from autochain.compare.bounce import check_bounce, judge_bounce
from autochain.compare.description import describe
from autochain.compare.rendered_sheet import render_sheet
from autochain.compare.report import report, report_page
from autochain.config.model import Target
from autochain.document.as_markdown import markdown
from autochain.earlier.sheet import EarlierSheet
from autochain.errors import SheetError
from autochain.measure.measurement import measure

STAGES = {
    "rotation": {"angle_deg": -60.0},
    "tone": {
        "band1_type": "highshelf", "band1_freq_hz": 5000.0, "band1_gain_db": 2.5, "band1_q": 0.71,
        "band2_type": "bell", "band2_freq_hz": 300.0, "band2_gain_db": -2.0, "band2_q": 0.7,
    },
    "bus_compressor": {
        "threshold_db": -14.0, "ratio": 2.0, "attack_ms": 20.0, "release_ms": 150.0,
    },
    "drive": {"gain_db": 10.0},
    "clipper": {"ceiling_dbfs": 1.5, "softness": 30.0},
    "limiter": {"ceiling_dbtp": -1.3, "lookahead_ms": 3.0, "release_ms": 60.0},
    "output": {},
}  # fmt: skip
def sheet_of(stages, figures, mix):
    return EarlierSheet(
        file="song.sheet.json", sha256="2" * 64, mix_sha256=mix.sha256,
        target=Target(lufs=round(figures.integrated_lufs, 1), ceiling_dbtp=-1.0),
        stages=stages, found={}, point=None, locks={}, without=frozenset(), seed=1,
    )  # fmt: skip


@pytest.fixture(scope="module")
def mix(short_mix):
    return read_mix(short_mix)


@pytest.fixture(scope="module")
def plan(mix):
    found = render_sheet(sheet_of(STAGES, measure(render_of(mix, STAGES), mix.rate_hz), mix), mix)
    return found, compare(mix, found.master)


def render_of(mix, stages):
    return DEFAULT.render(mix.samples, mix.rate_hz, DEFAULT.checked(stages)).samples


@pytest.fixture(scope="module")
def judged(mix, plan):
    """Judge the plan's settings with some of them replaced (None leaves a stage out), or a bounce made otherwise."""

    def run(changes=None, bounce=None):
        if bounce is None:
            stages = copy.deepcopy(STAGES)
            for stage, values in (changes or {}).items():
                stages.pop(stage) if values is None else stages[stage].update(values)
            bounce = render_of(mix, stages)
        master = copy.copy(mix)
        master = type(mix)(
            samples=bounce.astype(np.float32), rate_hz=mix.rate_hz, file="bounce.wav", sha256="1" * 64, subtype="PCM_24"
        )
        return judge_bounce(*plan, compare(mix, master))

    return run


def test_a_bounce_by_the_sheet_is_reached_and_nothing_looks_off(judged, mix):
    found = judged()
    assert found.reached
    assert found.same_mix
    assert found.advice == ()
    late = np.pad(render_of(mix, STAGES), ((1234, 0), (0, 0)))
    assert judged(bounce=late).advice == ()


@pytest.mark.parametrize(
    ("changes", "stage", "words"),
    [
        ({"drive": {"gain_db": 7.0}}, "drive", "the drive is too low"),
        ({"drive": {"gain_db": 12.0}}, "drive", "louder than planned"),
        ({"limiter": {"ceiling_dbtp": -0.3}}, "limiter", "over the ceiling"),
        ({"tone": None}, "tone", "looks left out"),
        ({"tone": {"band1_gain_db": 1.2, "band2_gain_db": -1.0}}, "tone", "does about 5"),
        ({"rotation": None}, "rotation", "looks left out"),
        ({"bus_compressor": {"threshold_db": -22.0}, "drive": {"gain_db": 14.0}}, "bus_compressor", "takes more"),
        ({"bus_compressor": None, "drive": {"gain_db": 8.5}}, "bus_compressor", "looks left out"),
        ({"clipper": {"ceiling_dbfs": -1.0}, "drive": {"gain_db": 9.3}}, "clipper", "takes more"),
        ({"limiter": {"release_ms": 5.0}, "drive": {"gain_db": 10.0}}, "", "More reduction than planned: hits lose"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_the_stage_of_a_known_mistake_is_named(judged, changes, stage, words):
    found = judged(changes)
    assert any(one.stage == stage and words in one.seen for one in found.advice)


@pytest.mark.parametrize("off_db", [-3.0, 4.0])
def test_the_drive_is_corrected_by_what_it_is_off_and_not_by_the_loudness(mix, plan, off_db):
    sheet = plan[0].sheet
    bounce = replace(mix, samples=render_of(mix, {**STAGES, "drive": {"gain_db": 10.0 + off_db}}), sha256="1" * 64)
    found = check_bounce(sheet, mix, compare(mix, bounce))
    (drive,) = [one for one in found.advice if one.stage == "drive"]
    corrected = float(re.search(r"the drive by about (\d+\.\d) dB", drive.try_next)[1])
    assert corrected == pytest.approx(abs(off_db), abs=0.3)
    missed = abs(found.loudness_lufs - sheet.target.lufs)
    assert corrected > missed + 0.5  # the limiter answers with less
    others = [one.try_next for one in found.advice if not one.stage]
    assert not [words for words in others if "width" in words or "equaliser" in words]


def test_an_equaliser_applied_twice_is_told(judged, mix):
    once = DEFAULT.render(mix.samples, mix.rate_hz, DEFAULT.checked({"tone": STAGES["tone"]})).samples
    twice = DEFAULT.render(once, mix.rate_hz, DEFAULT.checked(STAGES)).samples
    assert any(one.stage == "tone" and "applied twice" in one.seen for one in judged(bounce=twice).advice)


def test_another_mix_than_the_sheets_is_told_and_a_wrong_setting_refused(mix, plan):
    other = type(mix)(samples=mix.samples, rate_hz=mix.rate_hz, file="b.wav", sha256="f" * 64, subtype="PCM_24")
    assert not judge_bounce(*plan, compare(other, plan[0].master)).same_mix
    wrong = sheet_of({**STAGES, "limiter": {"ceiling_dbtp": 99.0}}, measure(mix.samples, mix.rate_hz), mix)
    with pytest.raises(SheetError, match=r"song\.sheet\.json: limiter\.ceiling_dbtp is 99"):
        render_sheet(wrong, mix)


def test_the_verdict_comes_first_on_every_page(mix, plan, judged):
    found = judged({"tone": None, "drive": {"gain_db": 8.0}})
    bounce = plan[1]  # what it did to the mix does not matter here
    said = describe(bounce)
    blocks = tuple(report(bounce, said, found))
    text, html = markdown(blocks), report_page(bounce, blocks)
    data = json.loads(to_json(bounce, said, found))
    assert text.split("\n## ")[1].startswith("Against the sheet\n\n**The sheet's target is not reached: ")
    assert "- drive: The bounce is " in text
    assert html.index("Against the sheet") < html.index("Against the mix")
    assert all(one.seen.replace("'", "&#x27;") in html for one in found.advice)
    assert data["plan"]["reached"] is False
    assert [one["stage"] for one in data["plan"]["advice"]] == [one.stage for one in found.advice]


# What else a bounce without the equaliser may have been through: its share is about 0 all the same.
@pytest.mark.parametrize(
    "changes",
    [
        {"clipper": None, "bus_compressor": None, "rotation": None},
        {"bus_compressor": {"threshold_db": -26.0, "ratio": 4.0}, "drive": {"gain_db": 14.0}},
    ],
    ids=["limiter only", "more compression"],
)
def test_a_bounce_without_equaliser_does_no_part_of_it(judged, changes):
    told = [one.seen for one in judged({"tone": None, **changes}).advice if one.stage == "tone"]
    assert told in ([], ["It looks left out."])


def test_another_master_with_the_equaliser_draws_no_word_about_it(judged):
    found = judged({"clipper": None, "bus_compressor": None, "drive": {"gain_db": 8.5}})
    assert not [one for one in found.advice if one.stage == "tone"]
