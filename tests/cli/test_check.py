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
    assert "| clicked.wav | go back to the mix |" in ran.out
    assert "## clean.wav: ready" in ran.out
    assert "At 0:05.0." in ran.out


def test_mixes_of_one_name_are_told_apart_by_their_paths(command, mixes, tmp_path):
    (tmp_path / "clean.wav").write_bytes((mixes / "clean.wav").read_bytes())
    ran = command("check", mixes / "clean.wav", tmp_path / "clean.wav", mixes / "clicked.wav", "--json")
    assert [one["file"] for one in json.loads(ran.out)] == [
        str(mixes / "clean.wav"), str(tmp_path / "clean.wav"), "clicked.wav"
    ]  # fmt: skip


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
