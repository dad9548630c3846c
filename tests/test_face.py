"""What a script gets: the seven functions of the package, their examples, and that they do what the commands do."""

import doctest
import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

import autochain
from autochain import face
from autochain.audio.signals import pink_noise
from autochain.errors import AudioFileError, AutochainError, SheetError, UsageError
from tests.conftest import Ran

RATE = 44100
FUNCTIONS = sorted(set(autochain.__all__) - {"__version__"})


@pytest.fixture(scope="module")
def quiet_mix(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Noise that a gain brings to -20 LUFS, so that nothing has to be searched."""
    path = tmp_path_factory.mktemp("face") / "quiet.wav"
    soundfile.write(path, pink_noise(4.0, RATE, -30.0), RATE, subtype="FLOAT")
    return path


def python(code: str) -> str:
    """Standard output of a fresh interpreter."""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False, timeout=300)
    assert done.returncode == 0, done.stderr
    return done.stdout.strip()


def test_there_are_seven_functions() -> None:
    assert FUNCTIONS == ["check", "compare", "curve", "measure", "read_tool", "render", "suggest"]
    assert sorted(face.__all__) == FUNCTIONS
    assert set(FUNCTIONS) <= set(dir(autochain))
    with pytest.raises(AttributeError, match="no attribute 'master'"):
        _ = autochain.master  # type: ignore[attr-defined]


@pytest.mark.parametrize("name", FUNCTIONS)
def test_the_example_of_a_function_does_what_it_says(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    (example,) = doctest.DocTestFinder(recurse=False).find(getattr(autochain, name), name, globs={})
    assert example.examples
    result = doctest.DocTestRunner().run(example)
    assert result.failed == 0, capsys.readouterr().out
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("name", FUNCTIONS)
def test_a_docstring_names_parameters_results_and_errors(name: str) -> None:
    told = getattr(autochain, name).__doc__
    for heading in ("Parameters\n", "Returns\n", "Raises\n", "Examples\n"):
        assert heading in told


def test_importing_the_package_loads_nothing_large() -> None:
    loaded = python(
        "import sys, autochain; print(*(n for n in ('numpy', 'scipy', 'numba', 'pydantic') if n in sys.modules))"
    )
    assert loaded == ""


def test_a_function_keeps_its_name_when_the_folder_of_that_name_is_loaded() -> None:
    names = ("check", "compare", "curve", "measure", "render")
    folders = "import autochain.check, autochain.compare, autochain.curve, autochain.measure.crest, autochain.render"
    shown = f"print(*(callable(getattr(autochain, name)) for name in {names}))"
    assert python(f"import autochain; {folders}; {shown}") == " ".join(["True"] * 5)
    assert python(f"import autochain; autochain.measure; {folders}; {shown}") == " ".join(["True"] * 5)
    assert python("import autochain; from autochain.measure import crest; print(crest.__name__)").endswith(".crest")


def test_the_script_of_a_studio_has_five_lines(
    quiet_mix: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    script = """\
import autochain
found = autochain.suggest("song.wav", lufs=-20.0, ceiling_dbtp=-1.0, out="masters")
autochain.render("song.wav", sheet="masters/song.sheet.json", out="masters", also=["flac16"])
told = autochain.compare("song.wav", "masters/song.master.wav")
print(found.met, told.description.loudness)
"""
    (tmp_path / "song.wav").write_bytes(quiet_mix.read_bytes())
    monkeypatch.chdir(tmp_path)
    exec(compile(script, "script.py", "exec"), {})
    printed = capsys.readouterr()
    assert printed.out.startswith("True The master is ")
    assert printed.err == ""
    assert sorted(path.name for path in (tmp_path / "masters").iterdir()) == [
        "song.delivery.csv", "song.delivery.html", "song.delivery.json", "song.delivery.md", "song.master.16bit.flac",
        "song.master.wav", "song.sheet.html", "song.sheet.json", "song.sheet.md",
    ]  # fmt: skip


def test_samples_are_measured_and_judged_as_their_file(quiet_mix: Path) -> None:
    samples = soundfile.read(quiet_mix)
    assert autochain.measure(samples) == autochain.measure(quiet_mix) == autochain.measure(str(quiet_mix))
    assert autochain.check(samples).readiness == autochain.check(quiet_mix).readiness
    one_side, rate_hz = samples[0][:, 0], samples[1]
    assert autochain.measure((one_side, rate_hz)) == autochain.measure((one_side[:, np.newaxis], rate_hz))


def test_a_search_gives_the_sheet_that_the_command_prints(
    command: Callable[..., Ran], brief_mix: Path, small_plan: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    lock = {"limiter.release_ms": 80}
    found = autochain.suggest(
        brief_mix, lufs=-9.0, ceiling_dbtp=-1.0, budget=8, config=small_plan, lock=lock, without=["transient"]
    )
    asked = ("--lufs", -9, "--ceiling", -1, "--budget", 8, "--config", small_plan, "--lock", "limiter.release_ms=80")
    ran = command("suggest", brief_mix, *asked, "--without", "transient", "--json", "--no-log")
    assert json.loads(ran.out) == json.loads(found.json())
    assert list(tmp_path.iterdir()) == []
    samples = soundfile.read(brief_mix)
    again = autochain.suggest(
        samples, lufs=-9.0, ceiling_dbtp=-1.0, budget=8, config=small_plan, lock=lock, without=["transient"]
    )
    assert again.sheet.stages == found.sheet.stages
    assert np.array_equal(again.samples, found.samples)
    near = autochain.suggest(samples, around=found.sheet, budget=8, config=small_plan)
    assert near.sheet.target == found.sheet.target


@pytest.mark.parametrize(
    ("sound", "says"),
    [
        ((np.zeros((4 * RATE, 2), dtype=np.int16), RATE), "the samples are int16; they must be floating point"),
        ((np.zeros((4 * RATE, 3)), RATE), "one or two channels"),
        ((np.zeros((2, 4 * RATE)), RATE), "Turn the array round"),
        ((np.zeros((4 * RATE, 2)), 8000), "the samples have 8000 Hz"),
        ((np.zeros((4 * RATE, 2)), RATE), "the array is silent throughout"),
        ((np.full((4 * RATE, 2), np.nan), RATE), "not a number (NaN)"),
        ((np.ones((RATE, 2)), RATE), "the array lasts 1.00 s"),
        ("nothing.wav", "nothing.wav does not exist"),
    ],
)
@pytest.mark.parametrize("name", ["measure", "check", "suggest", "curve"])
def test_what_is_no_mix_is_an_error_of_one_line(name: str, sound: Any, says: str) -> None:
    with pytest.raises(AudioFileError) as caught:
        getattr(autochain, name)(sound)
    assert says in str(caught.value)
    assert "\n" not in str(caught.value)


def test_bad_requests_are_errors_of_the_package(quiet_mix: Path, tmp_path: Path) -> None:
    sheet = autochain.suggest(quiet_mix, lufs=-20.0).sheet
    louder = 2.0 * soundfile.read(quiet_mix)[0]
    bad: list[tuple[type[AutochainError], Callable[[], object]]] = [
        (UsageError, lambda: autochain.suggest(quiet_mix, lufs=-20.0, loudest_part_lufs=-18.0)),
        (UsageError, lambda: autochain.suggest(quiet_mix, lock={"limiter.releas_ms": 80})),
        (UsageError, lambda: autochain.suggest(quiet_mix, preview=True)),
        (UsageError, lambda: autochain.render(quiet_mix, sheet=sheet, also=["mp3:320"])),
        (UsageError, lambda: autochain.render(quiet_mix, sheet=sheet, also=["mp9"], out=tmp_path / "out")),
        (SheetError, lambda: autochain.render((louder, RATE), sheet=sheet)),
        (SheetError, lambda: autochain.render(quiet_mix, sheet=tmp_path / "none.json")),
        (UsageError, lambda: autochain.curve(quiet_mix, quiet_lufs=-8.0, loud_lufs=-12.0)),
    ]
    for kind, call in bad:
        with pytest.raises(kind):
            call()
    assert list(tmp_path.iterdir()) == []
