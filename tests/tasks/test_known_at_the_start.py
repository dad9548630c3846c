"""What can be known at the start is said at the start: here no sound can be read, and all is said all the same."""

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import soundfile

import autochain
from autochain.audio.signals import pink_noise
from autochain.errors import AudioFileError
from autochain.render import formats
from tests.conftest import Ran

RATE = 44100


class WasReadError(Exception):
    """A sound was read."""


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A mix with its sheet, a second rate, and a file that is no sound."""
    folder = tmp_path_factory.mktemp("start")
    sound = pink_noise(4.0, RATE, -30.0)
    soundfile.write(folder / "mix.wav", sound, RATE, subtype="FLOAT")
    soundfile.write(folder / "fast.wav", sound, 48000, subtype="FLOAT")
    (folder / "letter.wav").write_text("Dear listener, this is not a sound file.\n" * 40, encoding="utf-8")
    autochain.suggest(folder / "mix.wav", lufs=-20.0, out=folder)
    sheet = json.loads((folder / "mix.sheet.json").read_text(encoding="utf-8"))
    sheet["stages"][-1]["settings"]["trim_db"] = 40.0
    (folder / "edited.json").write_text(json.dumps(sheet), encoding="utf-8")
    return folder


@pytest.fixture
def unread(monkeypatch: pytest.MonkeyPatch) -> None:
    """No sound can be read whole, and none searched."""

    def refuse(*_: Any, **__: Any) -> None:
        raise WasReadError

    for name in ("sounds.read_mix", "suggest.read_references", "check.inspect_file", "album.run"):
        monkeypatch.setattr(f"autochain.tasks.{name}", refuse)


Case = tuple[str, tuple[object, ...], int, str]
MIX, SHEET = "mix.wav", "mix.sheet.json"
CASES: list[Case] = [
    ("suggest", (MIX, "--preview"), 2, "--preview is about files, and none is written without a folder. Add -o"),
    ("suggest", (MIX, "--whole-songs"), 2, "--whole-songs is about files"),
    ("suggest", (MIX, "--resume"), 2, "--resume is about files"),
    ("suggest", (MIX, "--whole-songs", "--no-sound", "-o", "out"), 2, "Drop one of them"),
    ("suggest", (MIX, "-o", "."), 2, "exists already; use --force"),
    ("suggest", (MIX, "-o", "letter.wav"), 1, "letter.wav is a file; name a folder"),
    ("suggest", (MIX, "-o", "letter.wav/below"), 1, "cannot be written"),
    ("suggest", (MIX, "--reference", "letter.wav", "-o", "out"), 1, "letter.wav is not a sound file"),
    ("suggest", (MIX, "--reference", "none.wav", "-o", "out"), 1, "none.wav does not exist"),
    ("suggest", (MIX, "--around", "letter.wav", "-o", "out"), 2, "not JSON"),
    ("render", (MIX, "--sheet", SHEET), 2, "render makes files, and nothing is written without a folder. Add -o"),
    ("render", (MIX, "--sheet", SHEET, "--also", "wav24@12345", "-o", "out"), 2, "wav24 goes out at 44100"),
    ("render", (MIX, "--sheet", SHEET, "--also", "mp3@96000", "-o", "out"), 2, "mp3 goes out at 44100, 48000 Hz"),
    ("render", (MIX, "--sheet", SHEET, "--alternate", "letter.wav", "-o", "out"), 1, "is not a sound file"),
    ("render", (MIX, "--sheet", SHEET, "--alternate", MIX, "-o", "out"), 2, "would be written twice"),
    ("render", (MIX, "--sheet", "edited.json", "-o", "out"), 2, "output.trim_db"),
    ("compare", (MIX, "fast.wav", "--sheet", "edited.json"), 2, "output.trim_db"),
    ("compare", (MIX, "letter.wav"), 1, "is not a sound file"),
    ("compare", (MIX, "fast.wav", "-o", "letter.wav"), 1, "name a folder"),
    ("curve", (MIX, "--from", -8, "--to", -2, "--ceiling", -6), 2, "at most 2 LU is possible"),
    ("curve", (MIX, "--from", -8, "--to", -4, "-o", "letter.wav"), 1, "name a folder"),
    ("album", (".",), 2, "album makes files, and nothing is written without a folder. Add -o"),
    ("album", (MIX, "-o", "letter.wav"), 1, "name a folder"),
    ("album", (MIX, "-o", "out", "--lock", "limiter.ceiling_dbtp=-0.5"), 2, "Lower the lock"),
    ("check", (MIX, "-o", "letter.wav"), 1, "name a folder"),
]  # fmt: skip


@pytest.mark.usefixtures("unread")
@pytest.mark.parametrize(
    ("name", "arguments", "code", "says"), CASES, ids=[" ".join(map(str, (c[0], *c[1]))) for c in CASES]
)
def test_it_is_refused_before_any_sound_is_read(
    command: Callable[..., Ran],
    files: Path,
    monkeypatch: pytest.MonkeyPatch,
    name: str,
    arguments: tuple[object, ...],
    code: int,
    says: str,
) -> None:
    monkeypatch.chdir(files)
    before = sorted(path.name for path in files.iterdir())
    ran = command(name, *arguments)
    assert says in ran.err, ran.err
    assert (ran.code, ran.out, ran.err.count("\n")) == (code, "", 1)
    assert sorted(path.name for path in files.iterdir()) == before


@pytest.mark.usefixtures("unread")
@pytest.mark.parametrize("option", [("--also", "mp3:320"), ("--coders",)], ids=" ".join)
def test_a_coder_that_is_not_there_is_refused_before_any_sound_is_read(
    command: Callable[..., Ran], files: Path, monkeypatch: pytest.MonkeyPatch, option: tuple[str, ...]
) -> None:
    # What libsndfile answers where it was built without a coder, it also answers to a subtype of another container.
    without = {**formats.KINDS, "mp3": replace(formats.KINDS["mp3"], subtype="ALAC_16")}
    monkeypatch.setattr(formats, "KINDS", without)
    monkeypatch.chdir(files)
    ran = command("render", MIX, "--sheet", SHEET, *option, "-o", "out")
    assert ran.code == 2
    assert "mp3:320 cannot be made here: libsndfile" in ran.err
    assert ran.err.count("\n") == 1
    assert not (files / "out").exists()


def said_before_reading(command: Callable[..., Ran], *arguments: object) -> str:
    """What is on stderr when the first sound is asked for."""
    ran = command(*arguments)
    assert "WasReadError" in ran.err.splitlines()[-1], ran.err
    return ran.err.rsplit("\n", 2)[0]


@pytest.mark.usefixtures("unread")
@pytest.mark.parametrize(("loudest", "points"), [(-5, "4 points are"), (-8, "1 point is")])
def test_a_curve_with_too_few_points_for_a_knee_says_so_and_goes_on(
    command: Callable[..., Ran], files: Path, loudest: float, points: str
) -> None:
    said = said_before_reading(command, "curve", files / MIX, "--from", -8, "--to", loudest)
    assert f"autochain: {points} too few to tell where loudness begins to cost more; 5 or more are needed." in said
    five = said_before_reading(command, "curve", files / MIX, "--from", -8, "--to", -4)
    assert "too few" not in five


@pytest.mark.usefixtures("unread")
@pytest.mark.parametrize("name", ["suggest", "curve"])
def test_a_long_search_without_a_folder_says_that_nothing_will_be_written(
    command: Callable[..., Ran], files: Path, tmp_path: Path, name: str
) -> None:
    assert "the result will only be printed" in said_before_reading(command, name, files / MIX)
    assert "will only be printed" not in said_before_reading(command, name, files / MIX, "-o", tmp_path / "out")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.usefixtures("unread")
@pytest.mark.parametrize("place", ["mix.wav", "letter.wav/log.jsonl"])
def test_a_log_that_cannot_be_written_is_said_and_stops_nothing(
    command: Callable[..., Ran], files: Path, place: str
) -> None:
    said = said_before_reading(command, "compare", files / MIX, files / "fast.wav", "--log", files / place)
    assert "the result stands without it" in said


@pytest.mark.usefixtures("unread")
def test_a_mix_that_cannot_be_opened_is_said_before_the_others_are_worked_on(
    command: Callable[..., Ran], files: Path, tmp_path: Path
) -> None:
    said = said_before_reading(command, "check", files / MIX, files / "letter.wav", files / "none.wav")
    assert "letter.wav is not a sound file" in said
    assert "none.wav does not exist" in said
    joined = tmp_path / "list.toml"
    joined.write_text(
        "".join(
            f'[[track]]\nfile = "{files / name}"\nruns_into_next = {last}\n'
            for name, last in (("mix.wav", "true"), ("fast.wav", "false"), ("letter.wav", "false"))
        ),
        encoding="utf-8",
    )
    said = said_before_reading(command, "album", joined, "-o", tmp_path / "out", "--no-log")
    assert "mix.wav (44100 Hz, channels: 2) cannot run into fast.wav (48000 Hz, channels: 2)" in said
    assert "letter.wav is not a sound file" in said


def test_a_journal_left_behind_is_said_before_any_sound_is_read(
    command: Callable[..., Ran], files: Path, tmp_path: Path, unread: None
) -> None:
    (tmp_path / "mix.journal.jsonl").write_text("{}\n", encoding="utf-8")
    ran = command("suggest", files / MIX, "-o", tmp_path)
    assert (ran.code, "is what a stopped run has left" in ran.err) == (2, True)


def test_a_delivery_larger_than_a_wav_is_refused_before_it_is_rendered(
    files: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("autochain.audio.files._LARGEST_WAV_BYTES", 1_000_000)
    monkeypatch.setattr("autochain.tasks.render.deliver", lambda *_: pytest.fail("it was rendered"))
    with pytest.raises(AudioFileError, match="a WAV ends at"):
        autochain.render(files / MIX, sheet=files / SHEET, out=tmp_path / "out")
    assert list(tmp_path.iterdir()) == []


def test_a_sheet_of_another_mix_is_said_before_the_comparison(
    command: Callable[..., Ran], files: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: Any) -> None:
        raise WasReadError

    monkeypatch.setattr("autochain.tasks.compare.compare_sounds", refuse)
    sheet = ("--sheet", files / SHEET, "--no-log")
    said = said_before_reading(command, "compare", files / "fast.wav", files / "fast.wav", *sheet)
    assert said == (
        "autochain: mix.sheet.json was made for another file than fast.wav; it is rendered on this one all the same."
    )
    assert said_before_reading(command, "compare", files / MIX, files / MIX, *sheet).count("autochain: ") == 1
