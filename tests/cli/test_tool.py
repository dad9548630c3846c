"""`autochain tool signal` and `autochain tool read`: a stranger's processor from the test to its file."""

import json
import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

from autochain.tool import signal
from autochain.tool.clipper_model import ClipperModel
from autochain.tool.tool import tool_of_file
from tests.conftest import Ran


@pytest.fixture(scope="module")
def folder(command: Callable[..., Ran], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The clipper's test, and a bounce of it."""
    folder = tmp_path_factory.mktemp("tool")
    ran = command("tool", "signal", "clipper", "-o", folder)
    assert ran.code == 0, ran.err
    sound, rate_hz = soundfile.read(folder / "clipper.test.wav", always_2d=True)
    clipped = ClipperModel(ceiling_dbfs=-12.0, softness=40.0).process(sound, rate_hz)
    soundfile.write(folder / "bounce.wav", clipped, rate_hz, subtype="PCM_24")
    return folder


READ = ("--kind", "clipper", "--name", "c1", "--set", "ceiling:Limit=-12 mode=2")


def test_the_test_comes_with_its_caution_and_what_to_do(command: Callable[..., Ran], folder: Path) -> None:
    told = (folder / "clipper.test.txt").read_text(encoding="utf-8")
    assert "Turn your monitors down" in told
    assert "local rules" in told
    assert "Note down every knob" in told
    info = soundfile.info(folder / "clipper.test.wav")
    assert (info.samplerate, info.channels, info.subtype) == (48000, 2, "PCM_24")
    assert info.duration == pytest.approx(signal.duration_s("clipper"), abs=0.01)
    again = command("tool", "signal", "clipper", "-o", folder)
    assert again.code == 2
    assert "exists already" in again.err


def test_a_bounce_becomes_a_file_and_a_page(command: Callable[..., Ran], folder: Path) -> None:
    ran = command("tool", "read", folder / "bounce.wav", *READ, "-o", folder / "out")
    assert ran.code == 0, ran.err
    assert sorted(p.name for p in (folder / "out").iterdir()) == ["c1.tool.html", "c1.tool.md", "c1.tool.toml"]
    assert "| Limit | 1 | -12 | -12.0 dBFS ceiling |" in ran.out
    assert (folder / "out" / "c1.tool.md").read_text(encoding="utf-8") == ran.out
    page = (folder / "out" / "c1.tool.html").read_text(encoding="utf-8")
    assert page.count("<svg") == 2
    assert "script-src 'none'" in page
    tool = tool_of_file(folder / "out" / "c1.tool.toml")
    assert (tool.name, tool.kind, tool.knobs["ceiling"].word, tool.noted) == ("c1", "clipper", "Limit", {"mode": "2"})


def test_json_has_the_fit_alone(command: Callable[..., Ran], folder: Path) -> None:
    ran = command("tool", "read", folder / "bounce.wav", *READ, "--json")
    found = json.loads(ran.out)
    # The settings that made the bounce; tolerances are limits of this project.
    assert found["bounces"][0]["fit"]["ceiling_dbfs"] == pytest.approx(-12.0, abs=0.05)
    assert found["bounces"][0]["fit"]["softness"] == pytest.approx(40.0, abs=3.0)
    assert found["trusted"]


@pytest.mark.parametrize(
    ("more", "reason"),
    [
        (("--kind", "gate", "--name", "x", "--set", "a=1"), "--kind gate is not known"),
        (("--kind", "clipper", "--name", "a/b", "--set", "ceiling=1"), "cannot name a file"),
        (("--kind", "clipper", "--name", "x", "--set", "ceiling=1", "--set", "ceiling=2"), "1 bounces and 2 --set"),
        (("--kind", "clipper", "--name", "x", "--set", "ceiling=loud"), "must be a number"),
        (("--kind", "limiter", "--name", "x", "--set", "ceiling=-12"), "made from another test"),
        (("--kind", "clipper", "--name", "x", "--set", "ceiling=1", "--knobs", "softness=0:9"), "which no --set names"),
    ],
)
def test_a_wrong_request_is_one_line_and_leaves_nothing(
    command: Callable[..., Ran], folder: Path, tmp_path: Path, more: tuple[str, ...], reason: str
) -> None:
    ran = command("tool", "read", folder / "bounce.wav", *more, "-o", tmp_path / "out")
    assert ran.code == 2
    assert reason in ran.err
    assert len(re.findall(r"^autochain: ", ran.err, flags=re.M)) == 1
    assert not (tmp_path / "out").exists()


def test_there_is_no_test_for_what_there_is_no_kind_of(command: Callable[..., Ran], tmp_path: Path) -> None:
    ran = command("tool", "signal", "gate", "-o", tmp_path)
    assert ran.code == 2
    assert "Choose one of compressor, limiter, clipper, equaliser, anything" in ran.err
    assert not list(tmp_path.iterdir())


def test_without_a_folder_the_signal_is_refused(command: Callable[..., Ran]) -> None:
    ran = command("tool", "signal", "clipper")
    assert ran.code == 2
    assert "Add -o FOLDER" in ran.err


def test_no_test_clips(folder: Path) -> None:
    sound, _ = soundfile.read(folder / "clipper.test.wav")
    assert np.abs(sound).max() <= 1.0
