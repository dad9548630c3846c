"""A sheet rendered on the user's own tools, from the column alone."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

import autochain
from autochain.audio.files import read_mix
from autochain.earlier.read import read_sheet
from autochain.errors import SheetError
from autochain.measure.loudness import integrated_lufs, weighted_hops
from autochain.render.master import make_master
from autochain.render.tool_chain import tool_chain
from autochain.tasks.render import RenderRequest, render
from tests.conftest import read_outside
from tests.own_tools import written


@pytest.fixture(scope="module")
def made(
    brief_mix: Path, small_plan: Path, tmp_path_factory: pytest.TempPathFactory, command: Callable[..., Any]
) -> Path:
    """Folder with the sheet and the preview of a search for three tools."""
    out = tmp_path_factory.mktemp("on_tools")
    tools = [part for path in written(tmp_path_factory.mktemp("tools")) for part in ("--tools", path)]
    locks = ("--lock", "bus_compressor.threshold_db=-24", "--lock", "clipper.ceiling_dbfs=-1")
    ran = command(
        "suggest", brief_mix, "--lufs", -11, "--budget", 3, "--jobs", 1, "--config", small_plan, *locks, *tools,
        "--preview", "--no-sound", "--no-log", "-o", out,
    )  # fmt: skip
    assert ran.code == 0, ran.err
    return out


def sheet_of(made: Path, brief_mix: Path) -> Path:
    return made / f"{brief_mix.stem}.sheet.json"


def test_the_preview_is_what_the_sheet_alone_gives_on_the_tools(made: Path, brief_mix: Path) -> None:
    heard, _ = soundfile.read(made / f"{brief_mix.stem}.preview.wav", dtype="float32")
    again = render(RenderRequest(mix=brief_mix, sheet=sheet_of(made, brief_mix), on_tools=True))
    assert again.samples is not None
    # 24 bits and their dither.
    assert np.abs(again.samples - heard).max() < 4.0 * 2.0**-23
    from_python = autochain.render(brief_mix, sheet=sheet_of(made, brief_mix), on_tools=True)
    assert np.array_equal(from_python.samples, again.samples)
    ours = render(RenderRequest(mix=brief_mix, sheet=sheet_of(made, brief_mix)))
    assert ours.samples is not None
    assert np.abs(ours.samples - heard).max() > 0.01
    assert "models of your own tools" in (made / f"{brief_mix.stem}.preview.txt").read_text()


def test_rendered_it_comes_to_what_the_column_says(made: Path, brief_mix: Path) -> None:
    path = sheet_of(made, brief_mix)
    on, sheet = json.loads(path.read_text())["on_tools"], read_sheet(path)
    found = tool_chain(sheet)
    master = make_master(read_mix(brief_mix), found.chain, found.settings, sheet.target)
    # The sheet has three decimals.
    assert master.lufs == pytest.approx(on["lufs"], abs=0.002)
    assert master.peak_dbtp == pytest.approx(on["true_peak_dbtp"], abs=0.002)
    assert master.lowered_db == 0.0


def test_the_delivery_says_what_the_tools_are_set_to_and_holds_the_ceiling(
    made: Path, brief_mix: Path, tmp_path: Path, command: Callable[..., Any]
) -> None:
    sheet = sheet_of(made, brief_mix)
    ran = command("render", brief_mix, "--sheet", sheet, "--on-tools", "-o", tmp_path, "--no-log")
    assert ran.code == 0, ran.err
    assert "Rendered through the models of your own tools" in ran.out
    assert "my threshold" in ran.out
    told = json.loads((tmp_path / f"{brief_mix.stem}.delivery.json").read_text())
    assert {one["stage"] for one in told["on_tools"]} >= {"bus_compressor", "clipper", "limiter"}
    _, peak_dbtp = read_outside(tmp_path / f"{brief_mix.stem}.master.wav")
    assert peak_dbtp <= -1.0


def test_a_ceiling_turned_up_by_hand_is_held_by_the_trim(made: Path, brief_mix: Path, tmp_path: Path) -> None:
    values = json.loads(sheet_of(made, brief_mix).read_text())
    limiter = next(one for one in values["on_tools"]["stages"] if one["stage"] == "limiter")
    limiter["knobs"][0]["my ceiling"] = 0.0
    edited = tmp_path / "edited.sheet.json"
    edited.write_text(json.dumps(values))
    again = render(RenderRequest(mix=brief_mix, sheet=edited, on_tools=True, solve=True))
    assert again.lowered_db > 0.0
    assert again.samples is not None
    assert np.abs(again.samples).max() <= 10.0 ** (-1.0 / 20.0)


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        (lambda on: on.update(tools=[]), "no such tool is kept there"),
        (lambda on: on["stages"][0]["knobs"][0].update({"my attack": 9e9}), "its knob goes from 0.1 to 400"),
        (lambda on: on["stages"][0]["knobs"][0].update({"speed": 1.0}), "has 'speed'; the tool has my threshold"),
        (lambda on: on["tools"][0].update(kind="toaster"), "on_tools.tools: kind is 'toaster'"),
    ],
)
def test_a_column_that_cannot_be_carried_out_is_refused(
    made: Path, brief_mix: Path, tmp_path: Path, change: Callable[[dict[str, Any]], None], reason: str
) -> None:
    values = json.loads(sheet_of(made, brief_mix).read_text())
    change(values["on_tools"])
    path = tmp_path / "edited.sheet.json"
    path.write_text(json.dumps(values))
    with pytest.raises(SheetError, match=reason):
        tool_chain(read_sheet(path))


def test_a_sheet_without_the_column_is_set_on_the_tools_now(made: Path, brief_mix: Path, tmp_path: Path) -> None:
    values = json.loads(sheet_of(made, brief_mix).read_text())
    values["on_tools"] = None
    path = tmp_path / "plain.sheet.json"
    path.write_text(json.dumps(values))
    with pytest.raises(SheetError, match="no column for your own tools"):
        render(RenderRequest(mix=brief_mix, sheet=path, on_tools=True))
    found = render(RenderRequest(mix=brief_mix, sheet=path, tools=written(tmp_path)))
    assert found.samples is not None
    again = render(RenderRequest(mix=brief_mix, sheet=sheet_of(made, brief_mix), on_tools=True))
    heard = [integrated_lufs(weighted_hops(one.samples, read_mix(brief_mix).rate_hz)) for one in (found, again)]
    assert heard[0] == pytest.approx(heard[1], abs=0.1)
