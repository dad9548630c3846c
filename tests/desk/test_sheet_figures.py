"""What a sheet says of its settings, also where it says less than sheets do now."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from autochain.desk.sheet_figures import SheetVersion, sheet_version

STORED = Path(__file__).parent.parent / "demo" / "sheet.json"


@pytest.fixture
def changed(tmp_path: Path) -> Callable[[Callable[[dict[str, Any]], object]], SheetVersion]:
    def make(change: Callable[[dict[str, Any]], object]) -> SheetVersion:
        values = json.loads(STORED.read_text(encoding="utf-8"))
        change(values)
        path = tmp_path / "song.sheet.json"
        path.write_text(json.dumps(values))
        return sheet_version(path)

    return make


def test_figures_are_those_of_the_sheet(changed) -> None:
    values = json.loads(STORED.read_text(encoding="utf-8"))
    one = changed(lambda _: None)
    assert one.figures is not None
    assert one.figures.costs is not None
    assert one.figures.levels.integrated_lufs == values["after"]["integrated_lufs"]
    assert one.figures.levels.true_peak_dbtp == values["after"]["true_peak_dbtp"]
    assert one.figures.score == values["costs"]["score"]
    assert one.figures.costs.crest_loss_db == values["costs"]["crest_loss_db"]
    assert one.figures.met is values["met"]


def test_a_setting_changed_by_hand_has_no_figures(changed) -> None:
    one = changed(lambda v: v["stages"][-2]["settings"].update(release_ms=77.0))
    assert one.figures is None
    assert one.settings["limiter"]["release_ms"] == 77.0


def test_baselines_can_be_heard_where_their_settings_stand_there(changed) -> None:
    plain = {"drive": {"gain_db": 5.0}, "limiter": {"release_ms": 50.0}, "output": {}}
    one = changed(lambda v: [own.update(settings=plain) for own in v["baselines"].values()])
    settings, figures = one.baselines["limiter_only"]
    assert settings["limiter"]["release_ms"] == 50.0
    assert settings["limiter"]["lookahead_ms"] == 2.0  # completed
    assert figures.levels.integrated_lufs is not None


def test_sheets_of_before_have_baselines_that_cannot(changed) -> None:
    one = changed(lambda v: [own.pop("settings", None) for own in v["baselines"].values()])
    assert one.baselines == {}
    assert one.figures is not None


@pytest.mark.parametrize(
    "change",
    [
        lambda v: v.update(after=None),
        lambda v: v.update(after={"integrated_lufs": "loud"}),
        lambda v: v.update(baselines=[1]),
        lambda v: v["baselines"].update(limiter_only=5),
        lambda v: v["baselines"]["limiter_only"].update(settings={"limiter": {"release_ms": -5.0}}),
        lambda v: v["baselines"]["limiter_only"].update(settings={"limiter": 5}),
        lambda v: v["costs"].update(crest_loss_db=None),
        lambda v: v.update(more={"x": 1}),
    ],
)
def test_a_sheet_that_says_less_or_more_is_heard_all_the_same(changed, change) -> None:
    one = changed(change)
    assert list(one.settings)[-1] == "output"
    assert "limiter_only" not in one.baselines or one.baselines["limiter_only"][1].costs is not None
