"""Knobs go to where the chain costs least on the user's tools, and nothing over full scale goes into them."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from autochain.audio.files import read_mix
from autochain.audio.mix import Mix
from autochain.chain.settings import ChainSettings
from autochain.config import read_config
from autochain.config.model import Config
from autochain.search.on_tools import set_on, under_full_scale
from autochain.search.tuned_tools import WORTH, ToolPrices, tuned_placing
from autochain.sheet.model import LossOnTools, OnToolsFacts, StageOnTool
from autochain.sheet.on_tools import tools_told
from autochain.tool.as_stage import Placed
from autochain.tool.clipper_model import ClipperModel
from autochain.tool.limiter_model import LimiterModel
from tests.own_tools import CLIPPER, CURVE, TOOLS, tool_of

CONFIG: Config = read_config(None, {"target": {"lufs": -9.0, "ceiling_dbtp": -1.0}})
SETTINGS: ChainSettings = CONFIG.chain_plan.checked(
    {
        "drive": {"gain_db": 8.0},
        "clipper": {"ceiling_dbfs": 1.0, "softness": 60.0},
        "limiter": {"ceiling_dbtp": -1.1, "release_ms": 40.0},
        "output": {},
    }
)
_, LIMITER, SOFT = TOOLS
# Ours, as `tool read` would find it: by the same formulas, written a second time.
OURS = tool_of(
    "ours", "clipper", ClipperModel(ceiling_dbfs=-10.0, softness=60.0), {"ceiling": -10.0, "softness": 60.0},
)  # fmt: skip
WIDE = tool_of(
    "w", "limiter", LIMITER.models[0], {"ceiling": -12.0, "release": 80.0}, {"release": {"low": 1.0, "high": 2000.0}},
)  # fmt: skip


@pytest.fixture(scope="module")
def mix(brief_mix: Path) -> Mix:
    return read_mix(brief_mix)


@pytest.fixture(scope="module")
def prices(mix: Mix) -> ToolPrices:
    return ToolPrices(mix, CONFIG.chain_plan, SETTINGS, CONFIG.target, CONFIG.search, CONFIG.weights)


def placed(**positions: float) -> Placed:
    return Placed(tool=LIMITER, positions=({"ceiling": -1.2, "release": 80.0, **positions},))


def test_a_tool_that_does_as_the_sheets_stage_costs_what_that_costs(prices: ToolPrices) -> None:
    """0.05 of score: a limit of this project; both are oversampled by filters of their own."""
    same = {"clipper": Placed(tool=OURS, positions=({"ceiling": 1.0, "softness": 60.0},))}
    assert prices.price(same, 8.0).score == pytest.approx(prices.ours.score, abs=0.05)


def test_every_placing_is_priced_at_the_loudness_of_the_sheets_chain(prices: ToolPrices) -> None:
    """The same limiter behind other drives is the same chain; 0.05 of score is a limit of this project."""
    chain = {"limiter": placed()}
    near, far = (prices.price(chain, drive_db) for drive_db in (8.0, 4.0))
    assert near.score == pytest.approx(far.score, abs=0.05)
    assert near.drive_db == pytest.approx(far.drive_db, abs=0.1)


def test_a_knob_that_stands_badly_moves_to_where_the_chain_costs_less(mix: Mix) -> None:
    def found(locked: set[tuple[str, str]]) -> tuple[Placed, float, float]:
        prices = ToolPrices(mix, CONFIG.chain_plan, SETTINGS, CONFIG.target, CONFIG.search, CONFIG.weights)
        start = {"limiter": Placed(tool=WIDE, positions=({"ceiling": -1.2, "release": 64.0},))}
        best, priced = tuned_placing(prices, start, 8.0, locked)
        return best["limiter"], priced.score, prices.price(start, 8.0).score

    free, after, before = found(set())
    assert after < before - WORTH
    release = free.positions[0]["release"]
    assert 1.0 <= release <= 2000.0
    assert WIDE.maps["release"].held(release) == release != 64.0
    held, _, _ = found({("limiter", "release_ms")})
    assert held.positions[0]["release"] == 64.0


def test_what_the_tools_cost_is_told_with_cost_and_tool(prices: ToolPrices) -> None:
    """A clipper that bends far below its ceiling and folds back distorts more than ours, and the limiter does not."""
    chain = {"clipper": Placed(tool=SOFT, positions=({"ceiling": -10.0},), around_db=7.0)}
    loss = prices.loss(chain, prices.price(chain, 8.0))
    # More than the two ways to one and the same clipper may differ above.
    assert loss.score > 0.05
    assert loss.cost == "added_distortion_nmr_db"
    assert loss.stage == "clipper"


@pytest.mark.parametrize(
    ("score", "words"),
    [
        (1.24, "1.2 points higher than with autochain's own stages, mostly for added distortion, most of it by k."),
        (0.04, "On these tools the score is that of autochain's own stages."),
        (-0.31, "On these tools the score is 0.3 points lower"),
    ],
)
def test_the_sheet_says_what_the_tools_cost(score: float, words: str) -> None:
    stage = StageOnTool(
        stage="clipper", tool="k", knobs=(), noted={}, reduction_typical_db=None, reduction_max_db=None, off_db=0.0,
        input_gain_db=0.0, output_gain_db=0.0, why_not="",
    )  # fmt: skip
    loss = LossOnTools(score=score, cost="added_distortion_nmr_db", stage="clipper")
    facts = OnToolsFacts(
        stages=(stage,), drive_db=1.0, trim_db=0.0, lufs=-9.0, true_peak_dbtp=-1.1, loss=loss, tools=()
    )
    assert words in tools_told(facts)


def in_fixed_point(one: Placed, sound: np.ndarray, rate_hz: int) -> np.ndarray:
    """What a processor makes of a sound that clips its input at 0 dBFS, as whole numbers of so many bits do."""
    gain = 10.0 ** (0.05 * one.around_db)
    inside = replace(one, around_db=0.0)
    return gain * inside.process(np.clip(sound / gain, -1.0, 1.0), rate_hz)


def test_with_gains_around_it_a_tool_in_fixed_point_does_as_its_model_says() -> None:
    rng = np.random.default_rng(3)
    sound = 0.6 * rng.standard_normal((48000, 2))
    plain = placed(ceiling=-1.2)
    expected = plain.process(sound, 48000)
    assert np.abs(in_fixed_point(plain, sound, 48000) - expected).max() > 0.05
    kept = under_full_scale(plain, float(np.abs(sound).max()))
    assert kept.around_db > 0.0
    assert kept.positions[0]["ceiling"] == pytest.approx(-1.2 - kept.around_db)
    # Products in another order.
    assert np.abs(kept.process(sound, 48000) - expected).max() < 1e-9
    assert np.abs(in_fixed_point(kept, sound, 48000) - expected).max() < 1e-9


def test_gains_around_stay_away_where_nothing_needs_them() -> None:
    plain = placed(ceiling=-1.2)
    assert under_full_scale(plain, 0.99) == plain
    passes = replace(plain, tool=replace(LIMITER, over_full_scale="passes"))
    assert under_full_scale(passes, 2.0) == passes
    # A ceiling that the knob cannot reach.
    short = tool_of(
        "s", "limiter", LimiterModel(ceiling_dbfs=-2.0, way="instant", release_ms=80.0), {"ceiling": -2.0},
        {"ceiling": {"low": -2.0, "high": 0.0}},
    )  # fmt: skip
    unmoved = Placed(tool=short, positions=({"ceiling": -2.0},))
    assert under_full_scale(unmoved, 2.0) == unmoved


def test_what_goes_into_the_limiter_is_under_full_scale(mix: Mix) -> None:
    found = set_on(mix, CONFIG, SETTINGS, -9.0, [LIMITER], CONFIG.chain_plan, set())
    assert found is not None
    (one,) = found.stages
    assert one.placed is not None
    assert one.placed.around_db > 0.0
    assert found.lufs == pytest.approx(-9.0, abs=0.1)
    assert found.true_peak_dbtp is not None
    # No lower than the knob's next step would be too high: it has steps of 0.1 dB.
    assert -1.1 < found.true_peak_dbtp <= -1.0


def test_what_the_tools_cost_is_told_where_they_stand_in_the_end(mix: Mix, prices: ToolPrices) -> None:
    """Priced by hand from the column. The clipper's gains and the limiter's ceiling moved after knobs were tried."""
    found = set_on(mix, CONFIG, SETTINGS, -9.0, [LIMITER, SOFT], CONFIG.chain_plan, set())
    assert found is not None
    assert found.loss is not None
    assert found.drive_db is not None
    stand = {one.stage: one.placed for one in found.stages if one.placed is not None}
    assert set(stand) == {"clipper", "limiter"}
    assert found.loss.score == pytest.approx(prices.price(stand, found.drive_db).score - prices.ours.score, abs=1e-6)


def test_a_measured_curve_read_off_a_table_is_the_curve() -> None:
    """tanh is its own source; its points lie 0.5 dB apart, straight between them: 0.02 dB."""
    size = 10.0 ** (np.arange(-39.0, 6.0, 0.37) / 20.0)
    bent = CLIPPER.curve(np.stack([size, -size], axis=1))
    wanted = 10.0 ** (-0.5) * np.tanh(np.minimum(size, 10.0 ** (CURVE[-1][0] / 20.0)) / 10.0 ** (-0.5))
    assert np.abs(20.0 * np.log10(bent[:, 0] / wanted)).max() < 0.02
    assert np.array_equal(bent[:, 0], -bent[:, 1])
