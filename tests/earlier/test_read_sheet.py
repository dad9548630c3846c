"""A sheet read back: what it holds arrives, and what is wrong with it is told with its path."""

import json

import pytest

from autochain.config import read_config
from autochain.earlier.read import read_sheet
from autochain.errors import SheetError

POINT = read_config().search.trade_default.model_dump()
SHEET = {
    "format_version": 1,
    "mix": {"file": "song.wav", "sha256": "ab"},
    "target": {"lufs": -9.0, "loudest_part_lufs": None, "ceiling_dbtp": -1.0},
    "stages": [
        {"stage": "drive", "settings": {"gain_db": 6.0}},
        {"stage": "limiter", "settings": {"release_ms": 80.0, "release_behaviour": "fixed"}},
    ],
    "search": {"coordinates": {}, "found": {"drive.gain_db": 6.0}},
    "provenance": {"request": {"locks": {"drive.gain_db": 6.0}, "without": ["clipper"], "seed": 1}},
}


def written(tmp_path, **changes):
    path = tmp_path / "song.sheet.json"
    path.write_text(json.dumps({**SHEET, **changes}), encoding="utf-8")
    return path


def test_what_a_sheet_holds_arrives(tmp_path):
    found = read_sheet(written(tmp_path, added_by_hand="a remark"))
    assert found.file == "song.sheet.json"
    assert (found.target.lufs, found.target.ceiling_dbtp) == (-9.0, -1.0)
    assert found.stages["limiter"] == {"release_ms": 80.0, "release_behaviour": "fixed"}
    assert found.point is None
    assert found.locks == {"drive.gain_db": 6.0}
    assert found.without == {"clipper"}


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"format_version": 7}, "format_version is 7; 1 can be read"),
        ({"mix": {}}, "mix.sha256 is missing"),
        ({"target": {"lufs": "loud", "ceiling_dbtp": -1.0}}, "target.lufs is 'loud'"),
        ({"target": {"lufs": -9.0, "loudest_part_lufs": -7.0, "ceiling_dbtp": -1.0}}, "has two loudnesses"),
        ({"stages": [{"stage": "drive", "settings": {"gain_db": None}}]}, "stages.0.settings.gain_db is None"),
        ({"stages": [SHEET["stages"][0]] * 2}, "stages has drive twice"),
        ({"search": {"coordinates": {**POINT, "clip_share": 2.0}, "found": {}}}, "clip_share is 2.0; it must lie"),
        ({"search": {"found": {}}}, "search.coordinates is missing"),
    ],
)
def test_what_is_wrong_is_told_with_its_path(tmp_path, changes, words):
    with pytest.raises(SheetError) as caught:
        read_sheet(written(tmp_path, **changes))
    assert caught.value.exit_code == 2
    lines = str(caught.value).splitlines()
    assert all("song.sheet.json" in line for line in lines)
    assert any(words in line for line in lines), lines
    assert len(lines) == 1


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (None, "cannot be read"),
        (b"# Master settings: song.wav", "not JSON"),
        (b"\xff\xfe", "not JSON"),
        (b"[1, 2]", "not a settings sheet"),
        (b'{"a": 1}', "not a settings sheet"),
        (b"[" * 100_000, "not JSON"),
    ],
)
def test_a_file_that_is_no_sheet_is_named(tmp_path, content, words):
    path = tmp_path / "other.json"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(SheetError, match=words) as caught:
        read_sheet(path)
    assert "other.json" in str(caught.value)
    assert "\n" not in str(caught.value)
