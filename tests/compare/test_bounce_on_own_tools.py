"""A bounce made on the user's own tools: judged by their models, and told in the words of their knobs."""

from dataclasses import replace

import pytest

from autochain.audio.files import read_mix
from autochain.chain.settings import DRIVE
from autochain.compare import compare
from autochain.compare.bounce import check_bounce
from autochain.compare.comparison import Comparison
from autochain.compare.description import describe
from autochain.compare.rendered_sheet import render_sheet
from autochain.compare.report import report
from autochain.config import read_config
from autochain.config.model import Target
from autochain.document.as_markdown import markdown
from autochain.earlier.sheet import EarlierOnTools, EarlierSheet, ToolOnSheet
from autochain.render.sheet_chain import sheet_chain
from autochain.render.tool_chain import ToolChain, tool_chain
from autochain.search.on_tools import set_on
from autochain.tool.as_stage import stage_on_tool
from tests.own_tools import COMPRESSOR, TOOLS, tool_of

STAGES = {
    "bus_compressor": {"threshold_db": -12.0, "ratio": 2.0, "attack_ms": 20.0, "release_ms": 150.0},
    "drive": {"gain_db": 9.0},
    "clipper": {"ceiling_dbfs": 1.5, "softness": 100.0},
    "limiter": {"ceiling_dbtp": -1.3, "lookahead_ms": 5.0, "release_ms": 60.0},
    "output": {},
}


@pytest.fixture(scope="module")
def mix(short_mix):
    return read_mix(short_mix)


@pytest.fixture(scope="module")
def sheet(mix):
    """A sheet whose column was set on this mix; it aims at what the tools come to."""
    plain = EarlierSheet(
        file="song.sheet.json", sha256="2" * 64, mix_sha256=mix.sha256, target=Target(lufs=-10.0, ceiling_dbtp=-1.0),
        stages=STAGES, found={}, point=None, locks={}, without=frozenset(), seed=1,
    )  # fmt: skip
    chain, settings = sheet_chain(plain)
    config = read_config(None, {"target": {"lufs": -10.0, "ceiling_dbtp": -1.0}})
    found = set_on(mix, config, settings, -10.0, TOOLS, chain, set())
    assert found is not None
    stages = {
        one.stage: ToolOnSheet(
            tool=one.tool.name, around_db=one.placed.around_db, why_not="",
            knobs=tuple({f"my {role}": at for role, at in own.items()} for own in one.placed.positions),
            reduction_typical_db=one.reduction_typical_db,
        )
        for one in found.stages
    }  # fmt: skip
    tools = tuple(tool.as_file() for tool in TOOLS)
    column = EarlierOnTools(stages=stages, drive_db=found.drive_db, trim_db=found.trim_db, tools=tools)
    return replace(plain, on_tools=column, target=Target(lufs=round(found.lufs, 1), ceiling_dbtp=-1.0))


def bounced(mix, found: ToolChain, stage=None, drive_db=0.0, **moved) -> Comparison:
    """The mix through the tools with the knobs of one stage moved."""
    chain = found.chain
    if stage is not None:
        placed = found.placed[stage]
        positions = {role: at + moved.get(role, 0.0) for role, at in placed.positions[0].items()}
        own = replace(placed, positions=(positions,))
        chain = replace(chain, stages={**chain.stages, stage: stage_on_tool(chain.stages[stage], own)})
    settings = found.settings.with_(DRIVE, gain_db=found.settings[DRIVE]["gain_db"] + drive_db)
    samples = chain.render(mix.samples, mix.rate_hz, settings).samples
    return compare(mix, replace(mix, samples=samples, sha256="1" * 64, file="bounce.wav"))


def test_a_bounce_by_the_column_is_reached_and_nothing_looks_off(mix, sheet):
    bounce = bounced(mix, tool_chain(sheet))
    found = check_bounce(sheet, mix, bounce)
    assert found.reached
    assert found.advice == ()
    assert found.on_tools == ("c", "k", "l")
    text = markdown(report(bounce, describe(bounce), found))
    assert "Judged by the models of your own tools (c, k, l)" in text


def test_a_compressor_that_takes_more_is_told_in_the_words_of_its_knob_with_its_meter(mix, sheet):
    bounce = bounced(mix, tool_chain(sheet), "bus_compressor", drive_db=2.0, threshold=-8.0)
    advice = check_bounce(sheet, mix, bounce).advice
    (one,) = [one for one in advice if one.stage == "bus_compressor"]
    assert "takes more than planned" in one.seen
    shown = sheet.on_tools.stages["bus_compressor"].reduction_typical_db
    assert one.try_next.startswith(f"Turn my threshold up until its meter shows {shown:.1f} dB in the loud parts")


def test_a_drive_that_is_off_is_corrected_through_the_tools(mix, sheet):
    bounce = bounced(mix, tool_chain(sheet), drive_db=-3.0)
    (drive,) = [one for one in check_bounce(sheet, mix, bounce).advice if one.stage == "drive"]
    assert drive.try_next.startswith("Raise the drive by about ")
    assert float(drive.try_next.split()[5]) == pytest.approx(3.0, abs=0.3)
    assert f"(the sheet has {sheet.on_tools.drive_db:.1f} dB)" in drive.try_next


def test_a_ceiling_that_is_over_is_told_with_the_tools_knob(mix, sheet):
    bounce = bounced(mix, tool_chain(sheet), "limiter", ceiling=1.2)
    (one,) = [one for one in check_bounce(sheet, mix, bounce).advice if one.stage == "limiter"]
    at = sheet.on_tools.stages["limiter"].knobs[0]["my ceiling"]
    assert one.try_next.startswith(f"Set my ceiling to {at:g} ")


def test_a_knob_that_falls_is_turned_the_other_way(mix, sheet):
    """A threshold that is called an amount: more of it is a lower threshold."""
    low = replace(COMPRESSOR, threshold_dbfs=-30.0)
    first, second = (
        tool_of("c", "compressor", model, {"threshold": amount, "ratio": 2.0})
        for model, amount in ((COMPRESSOR, 2.0), (low, 8.0))
    )
    tool = replace(first, bounces=(*first.bounces, *second.bounces))
    stage = ToolOnSheet(
        tool="c", knobs=({"my threshold": 3.0, "my ratio": 2.0},), around_db=0.0, reduction_typical_db=1.0, why_not=""
    )
    column = replace(sheet.on_tools, stages={"bus_compressor": stage}, tools=(tool.as_file(),))
    rendered = render_sheet(replace(sheet, on_tools=column), mix)
    assert rendered.turn("bus_compressor", "threshold_db", up=True) == "Turn my threshold down"
    assert rendered.turn("limiter", "ceiling_dbtp", up=False) == "Lower its ceiling"
