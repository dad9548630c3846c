"""A sheet for the user's own tools: the search keeps to what they can do, and their knobs do what the stages do."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from autochain.audio.files import read_mix
from autochain.config import read_config
from autochain.measure.loudness import integrated_lufs, weighted_hops
from autochain.search.choice import with_clipper
from autochain.search.on_tools import set_tools
from autochain.search.request import RunOptions, SearchRequest
from autochain.search.result import Suggestion, Verified
from autochain.search.run import suggest as search
from autochain.search.tool_limits import ours_ms, tools_by_stage
from autochain.search.turned_knobs import why_not_equaliser
from autochain.solve.decisions import Decisions
from autochain.tasks.suggest import Suggested, SuggestRequest, suggest
from autochain.tool.clipper_model import ClipperModel
from autochain.tool.fit_equaliser import EqualiserModel
from autochain.tool.limiter_model import LimiterModel
from autochain.tool.tool import Tool
from tests.own_tools import TOOLS, tool_of, written


@pytest.fixture(scope="module")
def found(brief_mix: Path, small_plan: Path, tmp_path_factory: pytest.TempPathFactory) -> Suggested:
    request = SuggestRequest(
        mix=brief_mix, lufs=-11.0, budget=5, jobs=1, config=small_plan,
        lock=["bus_compressor.threshold_db=-24", "clipper.ceiling_dbfs=-1"],
        tools=written(tmp_path_factory.mktemp("tools")),
    )  # fmt: skip
    return suggest(request)


def test_the_search_keeps_to_what_the_tools_can_do(found: Suggested) -> None:
    settings = found.found.chosen.settings
    bus, limiter, clipper = (settings[stage] for stage in ("bus_compressor", "limiter", "clipper"))
    assert bus["ratio"] == 2.0
    assert bus["knee_db"] == 9.0
    assert bus.word("detector") == "rms"
    low, high = ours_ms(TOOLS[1], "release")
    assert low - 1.0 <= limiter["release_ms"] <= high + 1.0
    assert 4.9 <= limiter["lookahead_ms"] <= 5.2
    assert clipper["softness"] >= 95.0


def test_the_column_has_the_tools_words_at_places_that_their_knobs_have(found: Suggested) -> None:
    on = found.sheet.on_tools
    assert on is not None
    by_stage = {one.stage: one for one in on.stages}
    assert set(by_stage) >= {"bus_compressor", "clipper", "limiter"}
    (knobs,) = by_stage["bus_compressor"].knobs
    assert knobs["my ratio"] == 2.0
    assert (2.0 * knobs["my attack"]) % 1.0 == 0.0
    assert knobs["my gain"] == 1.0
    assert -40.0 <= by_stage["clipper"].knobs[0]["my ceiling"] <= 0.0
    assert 40.0 <= by_stage["limiter"].knobs[0]["my release"] <= 200.0
    text = found.markdown()
    assert "| on your tools |" in text
    assert "c: my threshold" in text


def test_on_the_tools_the_master_is_as_loud_under_the_ceiling_and_stages_work_as_much(found: Suggested) -> None:
    """0.3 LU and 0.5 dB of reduction a stage: limits of this project."""
    on = found.sheet.on_tools
    assert on is not None
    assert on.lufs == pytest.approx(-11.0, abs=0.3)
    assert on.true_peak_dbtp is not None
    assert on.true_peak_dbtp <= found.sheet.target.ceiling_dbtp
    ours = {entry.stage: entry.reduction_db for entry in found.sheet.stages}
    for one in on.stages:
        if one.reduction_typical_db is not None:
            assert one.reduction_typical_db == pytest.approx(ours[one.stage].typical, abs=0.5), one.stage


def test_set_by_hand_from_the_column_it_is_as_loud_as_the_sheet_says(found: Suggested) -> None:
    """The three models in a row at the printed positions, drive between: nothing of the search."""
    on, mix = found.sheet.on_tools, found.found.mix
    assert on is not None
    assert on.drive_db is not None
    by_stage = {one.stage: one for one in on.stages}
    settings, plan = found.found.chosen.settings, found.found.config.chain_plan
    sound = mix.samples
    for stage in plan.stages:
        if stage == "output":
            break
        if stage in by_stage:
            tool = next(one for one in TOOLS if one.name == by_stage[stage].tool)
            positions = {role: by_stage[stage].knobs[0][f"my {role}"] for role in tool.knobs}
            gain = 10.0 ** (by_stage[stage].input_gain_db / 20.0)
            sound = (tool.at(positions).process(sound.astype(np.float64) * gain, mix.rate_hz) / gain).astype(np.float32)
        elif stage == "drive":
            sound = sound * np.float32(10.0 ** (on.drive_db / 20.0))
        elif stage in settings:
            sound = plan.stages[stage].process(sound, mix.rate_hz, settings[stage]).samples
    sound = sound * np.float32(10.0 ** ((on.trim_db or 0.0) / 20.0))
    # The same models, but stages that are ours take float32 blocks of another length: a limit of this project.
    assert integrated_lufs(weighted_hops(sound, mix.rate_hz)) == pytest.approx(on.lufs, abs=0.02)


def test_a_tool_that_fits_badly_holds_nothing_and_is_set_by_its_meter() -> None:
    from autochain.config import read_config
    from autochain.search.tool_limits import limits

    badly = replace(TOOLS[0], bounces=(TOOLS[0].bounces[0].model_copy(update={"programme_db": 0.9}),))
    assert limits({"bus_compressor": badly}, read_config()) == {}
    assert limits({"bus_compressor": TOOLS[0]}, read_config())["bus_compressor"]["knee_db"] == 9.0


def test_the_first_of_two_compressors_is_the_bus_compressor() -> None:
    other = replace(TOOLS[0], name="d")
    stages = tools_by_stage([TOOLS[0], TOOLS[1], other])
    assert {stage: tool.name for stage, tool in stages.items()} == {
        "bus_compressor": "c", "peak_compressor": "d", "limiter": "l",
    }  # fmt: skip
    assert tools_by_stage([TOOLS[0]])["peak_compressor"].name == "c"


def test_bands_that_a_tool_does_not_have_are_told() -> None:
    from autochain.chain.equaliser import NARROW

    bell = tool_of(
        "e", "equaliser", EqualiserModel(type="bell", freq_hz=1000.0, gain_db=6.0, q=1.0),
        {"frequency": 1000.0, "gain": 6.0, "q": 1.0},
    )  # fmt: skip
    assert why_not_equaliser(bell, NARROW.checked({"band1_freq_hz": 400.0, "band1_gain_db": -1.0})) == ""
    shelf = NARROW.checked({"band1_type": "lowshelf", "band1_gain_db": -1.0})
    assert "measured as a bell, and the sheet has a lowshelf" in why_not_equaliser(bell, shelf)


def test_a_clipper_with_a_curve_of_its_own_stays_where_it_was_bounced_with_gains_around_it(found: Suggested) -> None:
    """The sheet's ceiling is -1 dBFS, its bounce had -10: gains do the rest, until its meter shows what is named.

    A tanh bends further below its ceiling than the sheet's curve, so that it has to lie higher than 9 dB.
    """
    on = found.sheet.on_tools
    assert on is not None
    (one,) = [one for one in on.stages if one.stage == "clipper"]
    assert one.knobs == ({"my ceiling": -10.0},)
    assert one.input_gain_db == -one.output_gain_db
    assert one.output_gain_db > 9.0
    (ours,) = [entry for entry in found.sheet.stages if entry.stage == "clipper"]
    assert ours.reduction_db is not None
    assert one.reduction_typical_db == pytest.approx(ours.reduction_db.typical, abs=0.3)
    assert "input gain -" in found.markdown()


# No look-ahead: it distorts wherever its release stands.
INSTANT = tool_of(
    "i", "limiter", LimiterModel(ceiling_dbfs=-12.0, way="instant", release_ms=80.0), {"ceiling": -12.0},
)  # fmt: skip
CORNERED = tool_of(
    "h", "clipper", ClipperModel(ceiling_dbfs=-10.0, softness=50.0, oversampled=False), {"ceiling": -10.0},
)  # fmt: skip


def searched_for(mix: Path, plan: Path, tools: tuple[Tool, ...]) -> Suggestion:
    """A search without compressors, in which a limiter alone is within what a chain has to earn."""
    asked = {"target": {"lufs": -11.0, "ceiling_dbtp": -1.0}, "search": {"budget": 8, "sensitivity_trials": 0}}
    config = read_config(plan, asked)
    without = frozenset({"bus_compressor", "peak_compressor", "transient", "rotation"})
    request = SearchRequest(mix=read_mix(mix), config=config, decisions=Decisions(without=without), tools=tools)
    return search(request, RunOptions(jobs=1))


def test_a_limiter_of_yours_that_needs_a_clipper_gets_one(brief_mix: Path, small_plan: Path) -> None:
    alone = searched_for(brief_mix, small_plan, ())
    assert "clipper" not in alone.chosen.settings
    # Without a clipper of theirs nothing changes: the sheet would then have a stage that the tools do not.
    assert searched_for(brief_mix, small_plan, (INSTANT,)).chosen.settings == alone.chosen.settings
    both = (INSTANT, CORNERED)
    found = searched_for(brief_mix, small_plan, both)
    assert "clipper" in found.chosen.settings
    saved = found.stats.saved_by_clipper
    assert saved is not None
    assert saved > found.config.search.chain_earns
    assert found.stats.forgone is None
    (note,) = [note for note in found.notes if note.code == "clipper_for_tools"]
    assert f"{saved:.1f} points" in note.text
    # The figure is what the columns of both chains say.
    prices = []
    for one in (alone, found):
        on = set_tools(one, both)
        assert on is not None
        assert on.loss is not None
        prices.append(one.chosen.score + on.loss.score)
    assert prices[0] - prices[1] == pytest.approx(saved, abs=1e-6)


def test_a_clipper_has_to_earn_its_place_on_the_tools(brief_mix: Path, small_plan: Path) -> None:
    found = searched_for(brief_mix, small_plan, ())
    alone, clipped = found.baselines["limiter_only"], found.baselines["trade_default"]
    near = replace(clipped, score=alone.score + 0.2)
    far = replace(clipped, score=alone.score + 0.6)

    def on_tools(one: Verified) -> float:
        return 3.0 if "clipper" in one.settings else 4.0

    assert with_clipper(alone, [alone, near], on_tools, 0.9) == (near, 1.0)
    assert with_clipper(alone, [alone, near], on_tools, 1.1) == (alone, None)
    assert with_clipper(near, [alone, near], on_tools, 0.0) == (near, None)
    # Half a point on our own stages beyond the chosen is too dear whatever it saves: a limit of this project.
    assert with_clipper(alone, [alone, far], on_tools, 0.0) == (alone, None)
