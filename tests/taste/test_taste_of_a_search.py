"""`--taste`: the weights that a search has, what its sheet says of them, and what is refused."""

import json
from pathlib import Path

import pytest

import autochain
from autochain.config import read_config
from autochain.errors import UsageError
from autochain.search.request import config_sha256
from autochain.tasks.wish import Wish
from autochain.taste import read_choices, told
from autochain.taste.choices import choices_text
from tests.taste.blind import choices_of

GRIT = "added_distortion_nmr_db"


def kept(folder: Path, times=None, count: int = 100) -> Path:
    path = folder / "choices.json"
    path.write_text(choices_text(choices_of(times or {GRIT: 5.0}, count)), encoding="utf-8")
    return path


def test_the_weights_of_a_search_are_those_that_are_told(tmp_path):
    path = kept(tmp_path)
    found = told(read_choices(path).choices)
    config, _ = Wish(taste=path).settled(-9.0)
    assert config.weights == found.weights != read_config().weights
    assert config.learned is not None
    assert config.learned.choices == found.count == 100
    assert config.learned.told
    assert config_sha256(config) != config_sha256(Wish().settled(-9.0)[0])


def test_without_choices_enough_the_weights_are_the_defaults_and_it_is_said(tmp_path):
    config, _ = Wish(taste=kept(tmp_path, count=12)).settled(-9.0)
    assert config.weights == read_config().weights
    assert config.learned is not None
    assert not config.learned.told
    assert "12 choices" in config.learned.sentences[0]


def test_two_sets_of_weights_are_refused(tmp_path):
    own = tmp_path / "own.toml"
    own.write_text("[weights]\ncrest_loss_db = 3.0\n", encoding="utf-8")
    with pytest.raises(UsageError, match=r"--taste .*choices.json and \[weights\] in own.toml both set the weights"):
        Wish(taste=kept(tmp_path), config=own).settled(-9.0)
    own.write_text("[weights]\ncrest_loss_db = 1.5\n", encoding="utf-8")  # as it is by default
    Wish(taste=kept(tmp_path), config=own).settled(-9.0)


def test_a_configuration_cannot_say_that_it_was_learned(tmp_path):
    own = tmp_path / "own.toml"
    own.write_text('[learned]\nchoices = 1000\nsha256 = ""\ntold = true\nsentences = []\n', encoding="utf-8")
    with pytest.raises(UsageError, match=r"own.toml: learned is not a known key"):
        read_config(own)


def test_what_was_learned_reaches_another_process(tmp_path):
    import pickle

    config, _ = Wish(taste=kept(tmp_path)).settled(-9.0)
    assert pickle.loads(pickle.dumps(config)) == config


def test_the_sheet_says_what_it_was_searched_with(command, tmp_path, brief_mix, small_plan):
    choices = kept(tmp_path)
    asked = ("--lufs", -9, "--config", small_plan, "--budget", 8, "--jobs", 1, "--no-sound")
    before = choices.read_bytes()
    ran = command("suggest", brief_mix, *asked, "--taste", choices, "-o", tmp_path / "out")
    assert ran.code in (0, 3), ran.err
    assert "taste: You accept" in ran.err
    sheet = json.loads((tmp_path / "out" / f"{brief_mix.stem}.sheet.json").read_text(encoding="utf-8"))
    kept_now = read_choices(choices)
    found = told(kept_now.choices)
    assert sheet["weights"] == found.weights.model_dump()
    assert sheet["provenance"]["request"]["choices_sha256"] == kept_now.sha256
    note = next(note for note in sheet["notes"] if note["code"] == "learned_weights")
    assert "weights learned from 100 blind choices" in note["text"]
    assert found.sentences[0] in note["text"]
    assert f"weights from the choices {kept_now.sha256[:12]}" in ran.out
    assert choices.read_bytes() == before
    again = command("suggest", brief_mix, *asked, "--taste", choices, "--json")
    assert json.loads(again.out) == sheet


def test_every_point_of_a_curve_says_it(tmp_path, brief_mix, small_plan):
    found = autochain.curve(
        brief_mix, quiet_lufs=-10.0, loud_lufs=-9.0, budget=6, jobs=1, config=small_plan, taste=kept(tmp_path)
    )
    for sheet in found.sheets:
        assert sheet.provenance.request.choices_sha256 == read_choices(tmp_path / "choices.json").sha256
        assert sheet.weights != read_config().weights.model_dump()
        assert any(note.code == "learned_weights" for note in sheet.notes)


@pytest.mark.parametrize("name", ["suggest", "curve", "album"])
def test_a_file_that_cannot_hold_is_told_before_any_sound_is_read(command, tmp_path, name):
    broken = tmp_path / "choices.json"
    broken.write_text("{}", encoding="utf-8")
    sound = tmp_path / "none.wav"
    sound.write_bytes(b"")
    ran = command(name, sound, "--taste", broken, "-o", tmp_path / "out")
    assert ran.code == 2
    assert "choices.json: no file of choices" in ran.err
    assert not (tmp_path / "out").exists()


def test_the_sheets_of_an_album_say_it(command, tmp_path, brief_mix, small_plan):
    choices, out = kept(tmp_path), tmp_path / "out"
    asked = ("album", brief_mix, "--lufs", -9, "--config", small_plan, "--budget", 6, "--jobs", 1, "-o", out)
    ran = command(*asked, "--taste", choices)
    assert ran.code in (0, 3), ran.err
    (file,) = out.glob("*.sheet.json")
    sheet = json.loads(file.read_text(encoding="utf-8"))
    assert sheet["provenance"]["request"]["choices_sha256"] == read_choices(choices).sha256
    assert any(note["code"] == "learned_weights" for note in sheet["notes"])
    # Other choices are another request: nothing that was done is kept.
    kept(tmp_path, count=90)
    assert "1 of 1 tracks searched" in command(*asked, "--taste", choices, "--resume").err
    assert "0 of 1 tracks searched" in command(*asked, "--taste", choices, "--resume").err
