"""The same stages and times on all tracks: what they are, what they cost, what a hand then has to change."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from autochain.album.common_settings import common_settings, differences, has_common
from autochain.audio.files import write_wav
from autochain.chain.chain import DEFAULT
from autochain.chain.settings import NOTHING_SET, ChainSettings
from autochain.demo import make_demo
from tests.conftest import small_config

RATE = 44100
LIMITER = {"lookahead_ms": 2.0, "release_ms": 40.0, "link_percent": 100.0}


def test_a_stage_that_half_of_the_tracks_have_is_in_at_the_median_of_its_values() -> None:
    # Geometric mean of the two in the middle, 10 and 40 ms, is 20 ms; of 30 and 50 % softness it is 40 %.
    tracks = [
        ChainSettings({"limiter": {**LIMITER, "release_ms": release}, "clipper": {"softness": softness}})
        for release, softness in ((5.0, 10.0), (10.0, 30.0), (40.0, 50.0), (200.0, 90.0))
    ]
    tracks[0] = tracks[0].with_("transient", onset_db=1.0)
    common = common_settings(tracks, DEFAULT)
    assert common["limiter"].plain() == {"lookahead_ms": 2.0, "release_ms": 20.0, "link_percent": 100.0}
    assert common["clipper"].plain() == {"softness": 40.0}
    assert "transient" not in common
    tracks[1] = tracks[1].with_("transient", onset_db=1.0)
    assert common_settings(tracks, DEFAULT)["transient"].plain() == {"onset_db": 1.0}


def test_a_track_keeps_the_house_only_with_its_very_stages_and_values() -> None:
    common = ChainSettings({"limiter": LIMITER})
    assert has_common(common.with_("limiter", ceiling_dbtp=-1.1).with_("drive", gain_db=3.0), common)
    assert not has_common(common.with_("limiter", release_ms=41.0), common)
    assert not has_common(common.with_("clipper", softness=0.0), common)
    assert not has_common(NOTHING_SET, common)


def test_knobs_that_stand_elsewhere_are_counted_by_what_moves_them() -> None:
    plain = ChainSettings({"drive": {"gain_db": 3.0}, "limiter": {**LIMITER, "ceiling_dbtp": -1.1}})
    tracks = [
        plain,
        plain.with_("drive", gain_db=4.0).with_("rotation", angle_deg=45.0),  # drive; rotation in
        plain.with_("limiter", release_ms=80.0),  # release
        plain.with_("drive", gain_db=5.0).with_("clipper", softness=50.0, ceiling_dbfs=1.0),  # drive; clipper in
    ]
    found = differences(tracks)
    assert (found.common, found.by_level, found.by_mix) == (2, 2, 1)
    assert found.all == 5
    assert differences([plain, plain]).all == 0
    assert differences([]).all == 0


@pytest.fixture(scope="module")
def mixes(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("mixes")
    for name, character, gain in (
        ("a", "dense_rock", 1.0),
        ("b", "brass_led_asymmetric", 0.8),
        ("c", "dense_rock", 0.8),
    ):
        write_wav(folder / f"{name}.wav", gain * make_demo(character, RATE, 10.0, ord(name))[: 5 * RATE], RATE, 1)
    return folder


@pytest.fixture(scope="module")
def asked(tmp_path_factory: pytest.TempPathFactory) -> list[object]:
    small_plan = small_config(tmp_path_factory.mktemp("config") / "small.toml", sensitivity_trials=0)
    return ["--levels", "relations", "--lufs", -8, "--budget", 10, "--config", small_plan, "--no-log"]


@pytest.fixture(scope="module")
def done(
    mixes: Path, asked: list[object], tmp_path_factory: pytest.TempPathFactory, command: Callable[..., Any]
) -> tuple[Path, Any]:
    out = tmp_path_factory.mktemp("album")
    return out, command("album", mixes, "-o", out, *asked, "--same-settings", 2.0, "--jobs", 2)


def contents(folder: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file() and not path.name.startswith(".")
    }


def settings_of(path: Path) -> ChainSettings:
    stages = json.loads(path.read_text())["stages"]
    return ChainSettings.from_plain({stage["stage"]: stage["settings"] for stage in stages})


def test_tracks_share_stages_and_times_at_a_bounded_cost_and_their_levels_stay(done: tuple[Path, Any]) -> None:
    out, ran = done
    assert ran.code == 0, ran.err
    told = json.loads((out / "album.json").read_text())
    same = told["same_settings"]
    common = ChainSettings.from_plain(same["settings"])
    assert same["score_lost"]  # else nothing below says anything
    for stem, lost in same["score_lost"].items():
        assert lost <= 2.0
        there, own = (
            json.loads((folder / f"{stem}.sheet.json").read_text()) for folder in (out / "same-settings", out)
        )
        assert there["costs"]["score"] - own["costs"]["score"] == pytest.approx(lost, abs=0.01)
        assert has_common(settings_of(out / "same-settings" / f"{stem}.sheet.json"), common)
    for track in told["tracks"]:
        assert track["figures"]["integrated_lufs"] == pytest.approx(track["target_lufs"], abs=0.1)
        assert track["figures"]["true_peak_dbtp"] <= -1.0
        assert (out / f"{track['sheet']}.sheet.html").exists()
        assert f"{track['sheet']}.sheet.html" in (out / "album.html").read_text()
    assert told["worst_relation_lu"] <= 0.2
    before, after = same["differing_before"]["shared"], same["differing_after"]["shared"]
    assert after <= 0.4 * before
    assert f"| stages and times | {before} | {after} |" in (out / "album.md").read_text()


def test_a_bound_of_nothing_leaves_most_tracks_their_own_and_says_why_without_a_search(
    done: tuple[Path, Any], mixes: Path, asked: list[object], command: Callable[..., Any]
) -> None:
    out, _ = done
    before = contents(out)
    ran = command("album", mixes, "-o", out, *asked, "--same-settings", 0, "--jobs", 1, "--resume")
    assert "0 searches for 3 tracks" in ran.err
    told = json.loads((out / "album.json").read_text())["same_settings"]
    assert all(lost <= 0.0 for lost in told["score_lost"].values())
    assert told["score_lost"].keys() | told["own_settings"].keys() == {"01-a", "02-b", "03-c"}
    ran = command("album", mixes, "-o", out, *asked, "--same-settings", 2.0, "--jobs", 1, "--resume")
    assert "0 searches for 3 tracks" in ran.err
    assert contents(out) == before


def test_one_job_gives_the_same_bytes_after_a_second_pass_was_lost(
    done: tuple[Path, Any], mixes: Path, asked: list[object], tmp_path: Path, command: Callable[..., Any]
) -> None:
    # As a kill would leave it: one track whole by itself, one with both, the third with nothing.
    for name, content in contents(done[0]).items():
        if "01-a" in name or name.startswith("02-b"):
            (tmp_path / name).parent.mkdir(exist_ok=True)
            (tmp_path / name).write_bytes(content)
    ran = command("album", mixes, "-o", tmp_path, *asked, "--same-settings", 2.0, "--jobs", 1, "--resume")
    assert "3 searches for 3 tracks" in ran.err
    assert contents(tmp_path) == contents(done[0])


def test_a_bound_below_nothing_is_refused(tmp_path: Path, mixes: Path, command: Callable[..., Any]) -> None:
    ran = command("album", mixes, "-o", tmp_path, "--same-settings", -1)
    assert ran.code == 2
    assert "--same-settings -1" in ran.err
