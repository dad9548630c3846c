"""One rule for `-o` on every command: with it all files go there, without it nothing is written."""

from collections.abc import Callable
from pathlib import Path

import pytest
import soundfile

from autochain.audio.signals import pink_noise
from tests.conftest import Ran

RATE = 44100
RULE = "Write all files there; without -o nothing is written."


@pytest.fixture(scope="module")
def mix(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Noise that a gain brings to -20 LUFS, so that nothing has to be searched."""
    path = tmp_path_factory.mktemp("rule") / "mix.wav"
    soundfile.write(path, pink_noise(4.0, RATE, -30.0), RATE, subtype="FLOAT")
    return path


@pytest.mark.parametrize("name", ["check", "suggest", "curve", "album", "render", "compare"])
def test_the_help_says_it_in_the_same_words(command: Callable[..., Ran], name: str) -> None:
    told = " ".join(command(name, "--help").out.split())
    assert f"-o, --out FOLDER {RULE}" in told


def test_the_demo_has_a_folder_of_its_own_since_its_mix_has_to_lie_somewhere(command: Callable[..., Ran]) -> None:
    told = " ".join(command("demo", "--help").out.split())
    assert "-o, --out FOLDER Write all files there. [default: autochain-demo]" in told


TARGET = ("--lufs", -20)
CASES = {
    "check": ((), ["check.html", "check.json", "check.md"]),
    "suggest": (TARGET, ["mix.sheet.html", "mix.sheet.json", "mix.sheet.md"]),
    "compare": (("{mix}",), ["mix.compare.html", "mix.compare.json", "mix.compare.md"]),
    "curve": (
        ("--from", -20, "--to", -20),
        [
            "mix.at-20.0.sheet.html", "mix.at-20.0.sheet.json", "mix.at-20.0.sheet.md", "mix.curve.csv",
            "mix.curve.html", "mix.curve.json", "mix.curve.md",
        ],
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", CASES)
def test_without_it_a_report_is_printed_and_nothing_written_and_with_it_the_same_is_printed(
    command: Callable[..., Ran], mix: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    more, files = CASES[name]
    arguments = [name, mix, *(mix if one == "{mix}" else one for one in more)]
    (tmp_path / "here").mkdir()
    monkeypatch.chdir(tmp_path / "here")
    bare = command(*arguments)
    assert (bare.code, list(tmp_path.rglob("*"))) == (0, [tmp_path / "here"]), bare.err
    written = command(*arguments, "-o", tmp_path / "out")
    assert written.out == bare.out
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == files
    (text,) = (tmp_path / "out" / one for one in files if one.endswith(".md") and ".at" not in one)
    assert text.read_text(encoding="utf-8") == bare.out


def test_check_takes_mixes_as_an_album_does(command: Callable[..., Ran], mix: Path, tmp_path: Path) -> None:
    listed = tmp_path / "list.toml"
    listed.write_text(f'[[track]]\nfile = "{mix}"\n', encoding="utf-8")
    by_name = command("check", mix)
    assert by_name.code == 0
    for source in (listed, mix.parent):
        assert command("check", source).out == by_name.out
    assert command("check", mix, listed, mix.parent).out == by_name.out  # each once
    (tmp_path / "empty").mkdir()
    says = "empty holds no sound file. Name files, a folder of mixes, or a list."
    assert says in command("check", tmp_path / "empty").err
    assert says in command("album", tmp_path / "empty", "-o", tmp_path / "out").err
