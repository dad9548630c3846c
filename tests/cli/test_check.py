"""`autochain check`: verdicts, exit codes, JSON."""

import json

import numpy as np
import pytest

from autochain.audio.files import write_wav
from autochain.demo import make_demo

RATE_HZ = 44100


@pytest.fixture(scope="module")
def mixes(tmp_path_factory):
    folder = tmp_path_factory.mktemp("check")
    clean = make_demo("vocal_with_piano", RATE_HZ, 14.0, 2)
    clicked = clean.copy()
    clicked[5 * RATE_HZ] += np.float32(0.1)
    for name, samples in (("clean", clean), ("clicked", clicked)):
        write_wav(folder / f"{name}.wav", samples, RATE_HZ, 1)
    return folder


def test_several_mixes_give_one_table_and_a_part_each(command, mixes):
    ran = command("check", mixes / "clean.wav", mixes / "clicked.wav")
    assert ran.code == 0
    assert "| clean.wav | ready |" in ran.out
    assert "| clicked.wav | **go back to the mix** |" in ran.out
    assert "## clean.wav: ready" in ran.out
    assert "At 0:05.0." in ran.out


def test_mixes_of_one_name_are_told_apart_by_their_paths(command, mixes, tmp_path):
    (tmp_path / "clean.wav").write_bytes((mixes / "clean.wav").read_bytes())
    ran = command("check", mixes / "clean.wav", tmp_path / "clean.wav", mixes / "clicked.wav", "--json")
    assert [one["file"] for one in json.loads(ran.out)] == [
        str(mixes / "clean.wav"), str(tmp_path / "clean.wav"), "clicked.wav"
    ]  # fmt: skip


def test_a_folder_stands_for_its_sound_files_by_name_and_each_file_is_checked_once(command, mixes, tmp_path):
    folder = tmp_path / "mixes"
    folder.mkdir()
    for name in ("b.wav", "a.WAV"):
        (folder / name).write_bytes((mixes / "clean.wav").read_bytes())
    (folder / "notes.txt").write_text("no sound", encoding="utf-8")
    ran = command("check", mixes / "clicked.wav", folder, folder / "b.wav", "--json")
    assert ran.code == 0
    assert [one["file"] for one in json.loads(ran.out)] == ["clicked.wav", "a.WAV", "b.wav"]


def test_a_folder_without_sound_is_wrong_usage(command, tmp_path):
    ran = command("check", tmp_path)
    assert ran.code == 2
    assert "holds no sound file" in ran.err
    assert "Traceback" not in ran.err


def test_a_folder_gets_the_page_and_what_is_printed_and_is_not_replaced_unasked(command, mixes, tmp_path):
    out = tmp_path / "out"
    ran = command("check", mixes, "-o", out, "--strict")
    assert ran.code == 3
    assert (out / "check.md").read_text(encoding="utf-8") == ran.out
    assert sorted(path.name for path in out.iterdir()) == ["check.html", "check.json", "check.md"]
    before = (out / "check.html").read_bytes()
    refused = command("check", mixes, "-o", out)
    assert refused.code == 2
    assert "use --force" in refused.err
    assert "checking" not in refused.err  # before anything is measured
    again = command("check", mixes, "-o", out, "--force", "--json")
    assert again.code == 0
    assert (out / "check.json").read_text(encoding="utf-8") == again.out
    assert (out / "check.html").read_bytes() == before


def test_the_page_says_what_could_not_be_read_and_needs_something_that_could(command, mixes, tmp_path):
    broken = tmp_path / "broken.wav"
    broken.write_bytes(b"RIFF and no more")
    ran = command("check", broken, mixes / "clean.wav", "-o", tmp_path / "out")
    assert ran.code == 1
    page = (tmp_path / "out" / "check.html").read_text(encoding="utf-8")
    assert "Not checked: " in page
    assert "clean.wav</bdi>: ready" in page
    assert command("check", broken, "-o", tmp_path / "none").code == 1
    assert not (tmp_path / "none").exists()


def test_names_of_files_stay_text_on_the_page(command, mixes, tmp_path):
    mix = tmp_path / "<img src=x onerror=alert(1)> \u202egnp.wav"
    mix.write_bytes((mixes / "clicked.wav").read_bytes())
    assert command("check", mix, "-o", tmp_path / "out").code == 0
    page = (tmp_path / "out" / "check.html").read_text(encoding="utf-8")
    assert "<img" not in page
    assert "\u202e" not in page
    assert "&lt;img src=x onerror=alert(1)&gt;" in page


def test_strict_tells_by_the_exit_code(command, mixes):
    assert command("check", mixes / "clean.wav", "--strict").code == 0
    assert command("check", mixes / "clicked.wav", "--strict").code == 3


def test_json_is_a_list_with_the_promised_keys(command, mixes):
    ran = command("check", mixes / "clicked.wav", "--json")
    (one,) = json.loads(ran.out)
    assert set(one) == {"file", "verdict", "findings", "measurement"}
    assert (one["file"], one["verdict"]) == ("clicked.wav", "revisit")
    (click,) = one["findings"]
    assert set(click) == {
        "code", "sends_back", "certainty", "times_s", "channels", "freq_hz", "q", "value", "usual", "unit", "text",
        "suggestion",
    }  # fmt: skip
    assert (click["code"], click["sends_back"]) == ("click", True)
    assert click["times_s"] == pytest.approx([5.0], abs=1e-3)
    assert one["measurement"]["integrated_lufs"] == pytest.approx(-15.0, abs=0.1)


def test_a_file_that_cannot_be_read_does_not_stop_the_others(command, mixes):
    ran = command("check", mixes / "missing.wav", mixes / "clean.wav", "--strict")
    assert ran.code == 1
    assert "missing.wav does not exist" in ran.err
    assert "clean.wav: ready" in ran.out


def test_the_limits_are_those_of_the_configuration(command, mixes, tmp_path):
    config = tmp_path / "mine.toml"
    config.write_text("[check]\nloudest_lufs = -16.0\n", encoding="utf-8")
    ran = command("check", mixes / "clean.wav", "--config", config)
    assert ran.code == 0
    assert "usable, with remarks" in ran.out
    config.write_text("[check]\nloudest_luf = -16.0\n", encoding="utf-8")
    ran = command("check", mixes / "clean.wav", "--config", config)
    assert ran.code == 2
    assert "check.loudest_luf is not a known key. Did you mean loudest_lufs?" in ran.err
