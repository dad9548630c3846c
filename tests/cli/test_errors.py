"""Every refusal: one line on stderr that says what, where and what to do; nothing written, no source touched."""

import hashlib
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

from autochain.audio.signals import pink_noise

RATE = 44100


def digest(folder):
    return {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in sorted(folder.iterdir())}


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    """One good mix and every kind of bad one."""
    folder = tmp_path_factory.mktemp("mixes")
    sound = pink_noise(4.0, RATE, -18.0)
    holed, endless = sound.copy(), sound.copy()
    holed[70000, 1] = np.nan
    endless[70000, 0] = np.inf
    for name, samples in {
        "good": sound,
        "silent": np.zeros_like(sound),
        "holed": holed,
        "endless": endless,
        "surround": np.tile(sound, (1, 3)),
        "faint": sound * 1e-3,
        "brief": sound[: round(2.9 * RATE)],
    }.items():
        soundfile.write(folder / f"{name}.wav", samples, RATE, subtype="FLOAT")
    (folder / "letter.wav").write_text("Dear listener, this is not a sound file.\n" * 40, encoding="utf-8")
    (folder / "nothing.wav").write_bytes(b"")
    (folder / "broken.toml").write_text("[search\nbudget = 8\n", encoding="utf-8")
    (folder / "unknown.toml").write_text(
        "[search]\nbugdet = 8\n[search.excerpts]\nlenght_s = 5.2\n[weights]\ncrest_loss_db = -1.0\n",
        encoding="utf-8",
    )
    return folder


def refused(ran, code, *words, lines=1):
    """One line (or `lines`) on stderr, nothing on stdout, the exit code, and every word in the message."""
    assert ran.code == code, ran.err
    assert ran.out == ""
    assert ran.err.count("\n") == lines, ran.err
    assert ran.err.startswith("autochain: ")
    assert "Traceback" not in ran.err
    for word in words:
        assert word in ran.err, ran.err


# what the message must say of the value, the place, and what to do
@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("absent.wav", ("absent.wav", "does not exist", "check the name")),
        ("letter.wav", ("letter.wav", "not a sound file", "give WAV")),
        ("nothing.wav", ("nothing.wav", "0 bytes", "export the mix again")),
        ("silent.wav", ("silent.wav", "silent throughout", "check what was exported")),
        ("holed.wav", ("holed.wav", "0:01.6", "NaN", "export the mix again")),
        ("endless.wav", ("endless.wav", "0:01.6", "infinite", "export the mix again")),
        ("surround.wav", ("surround.wav", "6 channels", "Export it as stereo")),
        ("brief.wav", ("brief.wav", "2.90 s", "3 s or more", "Give the whole song")),
    ],
)
def test_a_file_that_cannot_be_used_is_refused_in_one_line(command, files, tmp_path, name, words):
    before = digest(files)
    refused(command("suggest", files / name, "--lufs", -12, "-o", tmp_path / "out"), 1, *words)
    assert not (tmp_path / "out").exists()
    assert digest(files) == before


def test_a_mix_under_the_gate_of_the_standard_is_refused_before_anything_is_made(command, files, tmp_path):
    # BS.1770-5 Annex 1: nothing under -70 LUFS counts.
    ran = command("suggest", files / "faint.wav", "--lufs", -12, "-o", tmp_path / "out")
    refused(ran, 1, "faint.wav has nothing above -70 LUFS", "Export the mix again")
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--ceiling", "0.5"], ("ceiling 0.5 dBTP", "above 0 dBTP", "from -20 to 0")),
        (["--lufs", "0.1", "--ceiling", "0"], ("0.1 LUFS", "-40 to 0", "Choose a loudness")),
        (["--lufs", "-40.5"], ("-40.5 LUFS", "-40 to 0", "Choose a loudness")),
        (["--lufs", "-2", "--ceiling", "-4.5"], ("-2 LUFS", "2.5 LU above", "-4.5 dBTP", "Choose -2.5 LUFS or lower")),
        (["--lufs", "nan"], ("command line", "target.lufs is nan", "finite number")),
        (["--ceiling", "nan"], ("command line", "target.ceiling_dbtp is nan", "finite number")),
        (["--ceiling=-inf"], ("command line", "target.ceiling_dbtp is -inf", "finite number")),
        (["--lock", "limitr.release_ms=50"], ("'limitr'", "not a stage", "Did you mean limiter?")),
        (["--lock", "limiter.relase_ms=50"], ("limiter.relase_ms", "Did you mean release_ms")),
        (["--lock", "limiter.release_ms=5000"], ("limiter.release_ms is 5000 ms", "2 to 1000 ms", "Choose")),
        (["--lock", "limiter.release_ms=nan"], ("limiter.release_ms is nan ms", "2 to 1000 ms", "Choose")),
        (["--lock", "limiter.release_ms=quick"], ("'quick' is not a number", "in ms")),
        (["--lock", "limiter.release_ms"], ("limiter.release_ms", "stage.parameter=value", "Write it like")),
        (
            ["--lock", "drive.gain_db=3", "--lock", "drive.gain_db=4"],
            ("drive.gain_db twice", "3 and 4", "Keep one"),
        ),
        (
            ["--ceiling", "-1", "--lock", "limiter.ceiling_dbtp=-0.5"],
            ("limiter.ceiling_dbtp=-0.5", "--ceiling -1", "Lower the lock"),
        ),
        (["--without", "limiter"], ("--without limiter", "cannot do without", "another stage")),
        (["--without", "drive"], ("--without drive", "cannot do without", "another stage")),
        (["--without", "cliper"], ("'cliper'", "Did you mean clipper?")),
        (
            ["--without", "clipper", "--lock", "clipper.softness=20"],
            ("--without clipper", "--lock clipper.softness", "Drop one"),
        ),
        (["--jobs", "0"], ("--jobs 0", "Choose 1 or more")),
        (["--jobs", "-2"], ("--jobs -2", "Choose 1 or more")),
        (["--budget", "0"], ("command line", "search.budget is 0", "greater than or equal to 2")),
        (["--seed", "-1"], ("command line", "search.seed is -1", "greater than or equal to 0")),
        (["--seed", "4294967296"], ("command line", "search.seed is 4294967296", "less than or equal to 4294967295")),
        (["--config", "absent.toml"], ("absent.toml", "cannot be read", "--config")),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else "",
)
def test_wrong_usage_is_refused_in_one_line(command, files, tmp_path, options, words):
    before = digest(files)
    refused(command("suggest", files / "good.wav", *options, "-o", tmp_path / "out"), 2, *words)
    assert not (tmp_path / "out").exists()
    assert digest(files) == before


def test_a_broken_config_names_the_file_and_the_line(command, files, tmp_path):
    ran = command("suggest", files / "good.wav", "--config", files / "broken.toml", "-o", tmp_path / "out")
    refused(ran, 2, "broken.toml", "not valid TOML", "line 1", "Correct that line")
    assert not (tmp_path / "out").exists()


def test_every_problem_of_a_config_has_its_own_line(command, files, tmp_path):
    ran = command("suggest", files / "good.wav", "--config", files / "unknown.toml", "-o", tmp_path / "out")
    refused(
        ran,
        2,
        "search.bugdet is not a known key. Did you mean budget?",
        "search.excerpts.lenght_s is not a known key. Did you mean length_s?",
        "weights.crest_loss_db is -1.0; it should be greater than or equal to 0.",
        lines=3,
    )
    assert all("unknown.toml: " in line for line in ran.err.splitlines())
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("kind", ["below a file", "below /proc", "a file"])
def test_an_output_folder_that_cannot_be_written_is_refused_before_the_search(command, files, tmp_path, kind):
    blocking = tmp_path / "blocking"
    blocking.write_text("in the way", encoding="utf-8")
    folder = {"below a file": blocking / "out", "below /proc": "/proc/autochain", "a file": blocking}[kind]
    words = ("is a file", "name a folder") if kind == "a file" else ("cannot be written", "another folder")
    refused(command("suggest", files / "good.wav", "-o", folder), 1, str(folder), *words)
    assert digest(tmp_path) == {"blocking": hashlib.sha256(b"in the way").hexdigest()}


@pytest.mark.parametrize(
    "existing", ["good.sheet.html", "good.sheet.md", "good.sheet.json", "good.preview.wav", "good.preview.txt"]
)
def test_an_existing_result_is_kept_without_force(command, files, tmp_path, existing):
    (tmp_path / existing).write_text("from last week", encoding="utf-8")
    ran = command("suggest", files / "good.wav", "--preview", "-o", tmp_path)
    refused(ran, 2, existing, "exists already", "--force")
    assert digest(tmp_path) == {existing: hashlib.sha256(b"from last week").hexdigest()}


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--character", "slow_rock"], ("'slow_rock'", "dense_rock", "choose one of")),
        (["--jobs", "0"], ("--jobs 0", "Choose 1 or more")),
        (["--budget", "1"], ("search.budget is 1", "greater than or equal to 2")),
        (["--lufs", "3"], ("3 LUFS", "-40 to 0", "Choose a loudness")),
    ],
)
def test_the_demo_refuses_before_it_makes_anything(command, tmp_path, options, words):
    refused(command("demo", "-o", tmp_path / "demo", *options), 2, *words)
    assert not (tmp_path / "demo").exists()


def test_the_demo_keeps_an_existing_mix_without_force(command, tmp_path):
    name = "gravel-under-the-tollgate.wav"
    (tmp_path / name).write_text("mine", encoding="utf-8")
    refused(command("demo", "-o", tmp_path), 2, name, "exists already", "--force")
    assert digest(tmp_path) == {name: hashlib.sha256(b"mine").hexdigest()}


# The same through a fresh interpreter, as a shell sees it: one case per exit code, and a usage error of the parser.
@pytest.mark.parametrize(
    ("arguments", "code", "word"),
    [
        (["suggest", "{files}/absent.wav", "-o", "{out}"], 1, "absent.wav does not exist"),
        (["suggest", "{files}/good.wav", "--lock", "limiter.release_ms=0", "-o", "{out}"], 2, "2 to 1000 ms"),
        (["suggest", "{files}/unknown.wav", "--lufs", "loud", "-o", "{out}"], 2, "--lufs"),
    ],
)
def test_a_shell_sees_the_line_and_the_exit_code(files, tmp_path, arguments, code, word):
    out = tmp_path / "out"
    filled = [a.format(files=files, out=out) for a in arguments]
    done = subprocess.run(
        [sys.executable, "-m", "autochain", *filled], capture_output=True, text=True, check=False, timeout=120
    )
    assert done.returncode == code, done.stderr
    assert done.stdout == ""
    assert word in done.stderr
    assert "Traceback" not in done.stderr
    assert not out.exists()


def test_what_would_steer_the_terminal_or_fill_it_is_refused_and_shown_plain(command, tmp_path):
    refused(command("check", "a\x1b[31m.wav"), 2, r"a\x1b[31m.wav", "control character", "Write it without")
    refused(command("suggest", "x" * 100_000), 2, "100000 characters", "10000 is the most")
    ran = command("check", f"{'x' * 300}.wav")
    refused(ran, 1, "File name too long", "shorter name")
    ran = command("suggest", tmp_path / f"{'x' * 250}.wav", "-o", tmp_path / "out")
    refused(ran, 1, "name too long", "shorter name")
    assert not (tmp_path / "out").exists()


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="a device that is always full is there on Linux")
def test_where_the_result_cannot_be_printed_one_line_says_so():
    with open("/dev/full", "w") as full:  # noqa: PTH123
        done = subprocess.run(
            [sys.executable, "-m", "autochain", "--version"],
            stdout=full, stderr=subprocess.PIPE, text=True, check=False,
        )
    assert done.returncode == 1
    assert done.stderr == (
        "autochain: the result cannot be printed (No space left on device). Files that were asked for are written.\n"
    )


def test_a_fault_of_the_program_is_one_line_and_says_how_to_see_all(command, tmp_path, monkeypatch):
    import autochain.tasks.check as module

    def broken(config):
        raise KeyError("nobody\nforesaw this")

    monkeypatch.setattr(module, "read_config", broken)
    ran = command("check", tmp_path / "mix.wav")
    assert ran.code == 1
    assert ran.err.startswith("autochain: a fault of the program, not of yours: KeyError ('nobody")
    assert "AUTOCHAIN_TRACEBACK=1" in ran.err
    assert ran.err.count("\n") == 1
    monkeypatch.setenv("AUTOCHAIN_TRACEBACK", "1")
    with pytest.raises(KeyError):
        command("check", tmp_path / "mix.wav")
