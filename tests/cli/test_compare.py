"""`autochain compare`: what is printed and written, and exit codes."""

import json
import re

import numpy as np
import pytest
import soundfile

from autochain.audio.files import write_wav
from autochain.audio.signals import pink_noise
from autochain.log.file import log_path, read

RATE_HZ = 44100


@pytest.fixture(scope="module")
def files(tmp_path_factory, brief_mix):
    folder = tmp_path_factory.mktemp("compare")
    song, _ = soundfile.read(brief_mix)
    write_wav(folder / "mix.wav", song, RATE_HZ, 1)
    write_wav(folder / "master.wav", np.clip(2.0 * song, -0.6, 0.6), RATE_HZ, 1)
    write_wav(folder / "other.wav", pink_noise(6.0, RATE_HZ), RATE_HZ, 1)
    return folder


def test_the_account_is_printed_and_written_three_ways(command, files, tmp_path):
    ran = command("compare", files / "mix.wav", files / "master.wav", "-o", tmp_path / "new")
    assert ran.code == 0
    assert ran.out.startswith("# master.wav against mix.wav\n\nThe master is ")
    assert (tmp_path / "new/master.compare.md").read_text(encoding="utf-8") == ran.out
    assert (tmp_path / "new/master.compare.html").read_text(encoding="utf-8").startswith("<!doctype html>")
    data = json.loads((tmp_path / "new/master.compare.json").read_text(encoding="utf-8"))
    assert data["mix"]["file"] == "mix.wav"
    again = command("compare", files / "mix.wav", files / "master.wav", "-o", tmp_path / "new")
    assert again.code == 2
    assert "exists already; use --force" in again.err


def test_json_alone_is_on_stdout(command, files):
    ran = command("compare", files / "mix.wav", files / "master.wav", "--json")
    assert json.loads(ran.out)["same_material"] is True


def test_different_material_is_a_result_and_could_not_be_compared(command, files):
    ran = command("compare", files / "mix.wav", files / "other.wav")
    assert ran.code == 1
    assert "**Different material.**" in ran.out
    assert "LUFS" not in ran.out
    ran = command("compare", files / "mix.wav", files / "other.wav", "--json")
    assert ran.code == 1
    assert json.loads(ran.out)["same_material"] is False


def test_a_missing_file_is_one_line(command, files):
    ran = command("compare", files / "mix.wav", files / "nothing.wav")
    assert ran.code == 1
    assert "nothing.wav does not exist" in ran.err
    assert ran.out == ""


def test_the_render_of_a_sheet_reaches_it_and_nothing_looks_off(command, demo_run, libebur128, tmp_path):
    run = demo_run("dense_rock")
    sheet = tmp_path / "plan.json"
    sheet.write_text(json.dumps(run.sheet), encoding="utf-8")
    ran = command("compare", run.mix, run.preview, "--sheet", sheet)
    assert ran.code == 0, ran.err
    told = re.search(r"\*\*The sheet's target is reached: (-\d+\.\d) LUFS", ran.out)
    assert float(told[1]) == pytest.approx(libebur128(run.preview)[0], abs=0.05 + 0.01)  # one decimal
    assert "No stage looks off." in ran.out


def test_a_bounce_that_was_turned_down_misses_the_plan_with_exit_code_3(command, demo_run, tmp_path):
    run = demo_run("dense_rock")
    sheet = tmp_path / "plan.json"
    sheet.write_text(json.dumps(run.sheet), encoding="utf-8")
    samples, rate_hz = soundfile.read(run.preview)
    write_wav(tmp_path / "low.wav", 10.0 ** (-1.0 / 20.0) * samples, rate_hz, 1)
    ran = command("compare", run.mix, tmp_path / "low.wav", "--sheet", sheet, "--json")
    assert ran.code == 3
    plan = json.loads(ran.out)["plan"]
    assert (plan["reached"], plan["under_ceiling"]) == (False, True)
    assert [one["stage"] for one in plan["advice"]] == ["output"]
    assert "only turned down" in plan["advice"][0]["seen"]


def test_a_file_that_is_no_sheet_is_wrong_usage(command, files):
    ran = command("compare", files / "mix.wav", files / "master.wav", "--sheet", files / "mix.wav")
    assert ran.code == 2
    assert "not JSON" in ran.err


def test_a_comparison_is_logged_where_asked_and_its_history_shown(command, files, tmp_path):
    log = tmp_path / "log.jsonl"
    none_yet = command("compare", "--history", "--log", log)
    assert (none_yet.code, "does not exist" in none_yet.err) == (2, True)
    assert command("compare", files / "mix.wav", files / "mix.wav", "--log", log).code == 0  # no master to remember
    assert command("compare", files / "mix.wav", files / "master.wav", "--log", log).code == 0
    (line,) = log.read_text(encoding="ascii").splitlines()
    logged = json.loads(line)
    assert (logged["command"], logged["mix"]["file"]) == ("compare", "mix.wav")
    assert str(files) not in line
    ran = command("compare", "--history", "--log", log, "-o", tmp_path / "out")
    assert ran.code == 0
    assert "| master.wav |" in ran.out
    assert (tmp_path / "out/history.html").read_text(encoding="utf-8").startswith("<!doctype html>")
    assert json.loads(command("compare", "--history", "--log", log, "--json").out)["compared"] == 1


def test_a_log_that_cannot_be_written_stops_nothing(command, files, tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))  # other tests write the log that all share
    ran = command("compare", files / "mix.wav", files / "master.wav", "--log", files / "mix.wav")
    assert ran.code == 0
    assert ran.out.startswith("# master.wav")
    assert "is no log of this program" in ran.err
    before = log_path().read_bytes() if log_path().exists() else b""
    assert command("compare", files / "mix.wav", files / "master.wav", "--no-log").code == 0
    assert (log_path().read_bytes() if log_path().exists() else b"") == before


def test_suggest_adds_a_line_to_the_users_log(demo_run):
    run = demo_run("dense_rock")
    logged = [one for one in read(log_path())[0] if one["mix"]["sha256"] == run.mix_sha256]
    logged = [one for one in logged if one["command"] == "suggest"]
    assert logged[0]["command"] == "suggest"
    assert logged[0]["after"]["integrated_lufs"] == pytest.approx(run.sheet["after"]["integrated_lufs"], abs=0.006)
    assert len(logged[0]["thirds_db"]) > 20
    assert (logged[0]["complete"], logged[0]["met"]) == (True, run.sheet["met"])


@pytest.mark.parametrize(
    "arguments",
    [["--history", "mix.wav"], [], ["mix.wav"], ["--history", "--no-log"], ["a", "b", "--log", "c", "--no-log"]],
    ids=" ".join,
)
def test_arguments_that_do_not_fit_are_wrong_usage(command, arguments):
    ran = command("compare", *arguments)
    assert ran.code == 2
    assert ran.err.startswith("autochain: ")
