"""The user's own tools on the desk: the folder's configuration names them, and a bounce is judged by their models."""

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
import soundfile

from autochain.desk.chain_view import chain_part
from autochain.desk.facts_of import facts_of
from autochain.desk.folder import SongFiles
from autochain.desk.open_song import OpenSong
from autochain.desk.song_view import fragment
from autochain.tasks.render import RenderRequest, render
from tests.conftest import small_config
from tests.own_tools import TOOLS, written


@pytest.fixture(scope="module")
def song(excerpts_mix: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[OpenSong]:
    """Searched, with three tools beside the configuration."""
    folder = tmp_path_factory.mktemp("studio")
    names = json.dumps([path.name for path in written(folder)])
    plan = small_config(folder / "plan.toml", budget=4)
    plan.write_text(f"{plan.read_text()}\n[tools]\nfiles = {names}\n", encoding="utf-8")
    opened = OpenSong(SongFiles(excerpts_mix, folder / "out"), plan=plan)
    for job in (opened.measure_job(), opened.search_job(around=False)):
        job.run(lambda words, share: None, lambda: False)
    yield opened
    opened.close()


def test_the_suggestion_tells_what_to_set_on_the_tools_until_a_knob_is_turned(song: OpenSong) -> None:
    sheet = json.loads(song.files.sheet.read_text(encoding="utf-8"))
    assert {one["tool"] for one in sheet["on_tools"]["stages"]} <= {tool.name for tool in TOOLS}
    part = chain_part(facts_of(song))
    told = {one.name: one.on_tool for one in part["stages"]}
    assert "l: " in told["limiter"]
    assert "my ceiling" in told["limiter"]
    assert told["drive"] == f"gain {sheet['on_tools']['drive_db']:.1f} dB"
    assert "On these tools" in part["on_tools"]
    assert "On yours: l: " in fragment("chain", facts_of(song))
    song.turn("limiter", "release_ms", 47.0, 2.0)
    part = chain_part(facts_of(song))
    assert not any(one.on_tool for one in part["stages"])
    assert "when you have kept" in part["on_tools"]
    assert "On yours" not in fragment("chain", facts_of(song))


def test_what_was_turned_tells_it_when_it_is_kept(song: OpenSong) -> None:
    song.turn("limiter", "release_ms", 47.0, 2.0)
    song.keep("slower")
    part = chain_part(facts_of(song))
    assert "l: " in next(one.on_tool for one in part["stages"] if one.name == "limiter")
    assert "On these tools" in part["on_tools"]
    kept = json.loads((song.files.versions / "slower.sheet.json").read_text(encoding="utf-8"))
    assert {one["tool"] for one in kept["on_tools"]["stages"]} <= {tool.name for tool in TOOLS}


@pytest.mark.parametrize("turned", [False, True])
def test_a_bounce_of_the_tools_is_judged_by_their_models(song: OpenSong, tmp_path: Path, turned: bool) -> None:
    """The column carried out by the models, in the engineer's place, differs in nothing but dither."""
    sheet = song.files.sheet
    song.take("suggestion", 2.0)
    if turned:  # and kept only to be rendered here: what is under the hand is judged by the tools without that
        song.turn("limiter", "release_ms", 53.0, 2.0)
        sheet = song.files.versions / f"{song.keep('turned').name}.sheet.json"
    made = render(RenderRequest(mix=song.files.path, sheet=sheet, on_tools=True))
    path = tmp_path / "bounce.wav"
    soundfile.write(path, made.samples, made.rate_hz, subtype="PCM_24")
    version = song.add_bounce(path)
    song.compare_job(version.key, "hand" if turned else "").run(lambda words, share: None, lambda: False)
    by, found = song.compared[version.key]
    assert by == ("your settings" if turned else "suggestion")
    verdict = found.verdict
    assert verdict is not None
    assert verdict.on_tools == tuple(sorted(tool.name for tool in TOOLS if tool.name in verdict.on_tools))
    assert "l" in verdict.on_tools
    assert verdict.reached
    assert verdict.advice == ()
