"""The user's own tools wherever a search is asked for: in a configuration, on a curve, on an album."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from autochain.config import read_config
from autochain.errors import ConfigError
from autochain.tasks.curve import CurveRequest, curve
from autochain.tasks.wish import Wish
from tests.conftest import small_config
from tests.own_tools import TOOLS, written


@pytest.fixture
def studio(tmp_path: Path) -> Path:
    """A configuration of few trials with three tools beside it."""
    names = json.dumps([path.name for path in written(tmp_path)])
    path = small_config(tmp_path / "studio.toml", budget=3)
    path.write_text(f"{path.read_text()}\n[tools]\nfiles = {names}\n", encoding="utf-8")
    return path


def test_a_search_is_held_to_the_tools_of_its_configuration(studio: Path) -> None:
    config, _ = Wish(config=studio).settled(-11.0)
    named, _ = Wish(config=studio, tools=written(studio.parent)).settled(-11.0)
    assert config == named
    assert config.chain_plan.stages["bus_compressor"].parameter("knee_db").default == 9.0


def test_tools_that_are_named_take_the_place_of_those_of_the_configuration(studio: Path) -> None:
    only = Wish(config=studio, tools=[studio.parent / "l.tool.toml"])
    config, _ = only.settled(-11.0)
    usual = read_config().chain_plan.stages["bus_compressor"]
    assert config.chain_plan.stages["bus_compressor"].parameter("knee_db").default == usual.parameter("knee_db").default
    assert [tool.name for tool in only.own_tools(config)] == ["l"]


def test_a_tool_of_the_configuration_that_is_not_there_is_told_with_its_path(tmp_path: Path) -> None:
    path = tmp_path / "studio.toml"
    path.write_text('[tools]\nfiles = ["gone.tool.toml"]\n', encoding="utf-8")
    with pytest.raises(ConfigError, match=r"gone\.tool\.toml: cannot be read .*tools\.files"):
        Wish(config=path).settled(-11.0)


def test_every_sheet_of_a_curve_has_the_column(brief_mix: Path, studio: Path) -> None:
    found = curve(CurveRequest(mix=brief_mix, quiet_lufs=-12.0, loud_lufs=-11.0, config=studio, jobs=1))
    assert len(found.sheets) == 2
    for sheet, point in zip(found.sheets, found.curve.points, strict=True):
        assert sheet.on_tools is not None
        assert {one.stage for one in sheet.on_tools.stages} >= {"limiter"}
        assert sheet.on_tools.lufs == pytest.approx(point.target_lufs, abs=0.3)


def test_every_track_of_an_album_has_the_column_and_is_done_again_for_another_tool(
    brief_mix: Path, studio: Path, tmp_path: Path, command: Callable[..., Any]
) -> None:
    out = tmp_path / "album"
    asked = ("album", brief_mix, "-o", out, "--lufs", -11, "--config", studio, "--jobs", 1, "--no-log")
    ran = command(*asked)
    assert ran.code in (0, 3), ran.err
    stem = f"01-{brief_mix.stem}"
    sheet = json.loads((out / f"{stem}.sheet.json").read_text())
    assert {one["tool"] for one in sheet["on_tools"]["stages"]} <= {tool.name for tool in TOOLS}
    assert "my ceiling" in (out / f"{stem}.sheet.md").read_text()
    assert "0 of 1 tracks searched" in command(*asked, "--resume").err
    file = studio.parent / "l.tool.toml"
    file.write_text(file.read_text().replace("my release", "way back"))
    assert "1 of 1 tracks searched" in command(*asked, "--resume").err
    assert "way back" in (out / f"{stem}.sheet.md").read_text()
