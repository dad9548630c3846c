"""`autochain demo`: a mix out of nothing, its sheet, and where to find both."""

import json
import shutil

import pytest
import soundfile

from autochain import __version__
from autochain.sheet.words import CAUTION


@pytest.fixture(scope="module")
def ran(command, tmp_path_factory):
    folder = tmp_path_factory.mktemp("demo") / "new" / "folder"
    # A target under the mix's own loudness: the demo's files are wanted here, its search has tests of its own.
    done = command("demo", "-o", folder, "--character", "sparse_acoustic", "--lufs", -18, "--json")
    return folder, done


def test_the_demo_makes_the_mix_the_sheet_and_the_result(ran, libebur128):
    folder, done = ran
    assert done.code == 0, done.err
    stem = "thistle-weather-second-week"
    ends = ["preview.txt", "preview.wav", "sheet.html", "sheet.json", "sheet.md", "txt", "wav"]
    assert sorted(p.name for p in folder.iterdir()) == [f"{stem}.{end}" for end in ends]
    info = soundfile.info(folder / f"{stem}.wav")
    assert (info.samplerate, info.channels, info.subtype) == (44100, 2, "PCM_24")
    loudness, peak = libebur128(folder / f"{stem}.preview.wav")
    assert loudness == pytest.approx(-18.0, abs=0.1)
    assert peak <= -1.0


def test_a_demo_that_was_stopped_goes_on_with_its_mix(ran, command, tmp_path):
    folder, done = ran
    stem = "thistle-weather-second-week"
    shutil.copy(folder / f"{stem}.wav", tmp_path)
    again = command("demo", "-o", tmp_path, "--character", "sparse_acoustic", "--lufs", -18, "--json", "--resume")
    assert again.code == 0, again.err
    assert again.out == done.out
    assert (tmp_path / f"{stem}.wav").read_bytes() == (folder / f"{stem}.wav").read_bytes()
    assert (tmp_path / f"{stem}.preview.wav").read_bytes() == (folder / f"{stem}.preview.wav").read_bytes()


def test_every_folder_with_sound_carries_the_caution(ran):
    folder, _ = ran
    for name in ("thistle-weather-second-week.txt", "thistle-weather-second-week.preview.txt"):
        assert (folder / name).read_text(encoding="utf-8") == CAUTION + "\n"
    assert CAUTION in (folder / "thistle-weather-second-week.sheet.md").read_text(encoding="utf-8")


def test_json_is_alone_on_standard_output_and_the_files_are_named_on_the_other(ran):
    folder, done = ran
    assert done.out == (folder / "thistle-weather-second-week.sheet.json").read_text(encoding="utf-8")
    assert json.loads(done.out)["target"] == {
        "lufs": -18.0, "loudest_part_lufs": None, "ceiling_dbtp": -1.0
    }
    for end in ("wav", "sheet.md", "preview.wav"):
        assert str(folder / f"thistle-weather-second-week.{end}") in done.err


@pytest.mark.parametrize("name", ["suggest", "demo"])
def test_help_names_units_and_one_example(command, name):
    told = command(name, "--help")
    assert told.code == 0
    assert "LUFS" in told.out
    assert "dBTP" in told.out
    assert f"Example: autochain {name}" in " ".join(told.out.split())


def test_the_version_is_printed(command):
    told = command("--version")
    assert (told.code, told.out, told.err) == (0, f"autochain {__version__}\n", "")
