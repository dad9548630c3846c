"""Whole albums, at loudness that a gain alone reaches, so that no search costs time."""

import json
import subprocess
import sys
import time
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pyebur128
import pytest
import soundfile

from autochain.audio.files import write_wav
from autochain.demo import make_demo

RATE = 44100
ASKED = ("--levels", "relations", "--lufs", -18, "--jobs", 1)
GAINS = (1.0, 0.5, 0.3)


@pytest.fixture(scope="module")
def mixes(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("mixes")
    for name, gain, seed in zip(("a <b>", "b", "c"), GAINS, (1, 2, 3), strict=True):
        write_wav(folder / f"{name}.wav", gain * make_demo("dense_rock", RATE, 10.0, seed), RATE, 1)
    (folder / "d.wav").write_bytes(b"no sound")
    return folder


@pytest.fixture(scope="module")
def done(mixes: Path, tmp_path_factory: pytest.TempPathFactory, command: Callable[..., Any]) -> tuple[Path, Any]:
    out = tmp_path_factory.mktemp("album")
    return out, command("album", mixes, "-o", out, *ASKED)


def contents(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def test_a_bad_file_is_reported_and_the_others_are_done(done: tuple[Path, Any]) -> None:
    out, ran = done
    assert ran.code == 1
    told = json.loads((out / "album.json").read_text())["tracks"]
    assert "d.wav is not a sound file" in told[3]["error"]
    assert [t["met"] for t in told[:3]] == [True] * 3


def test_relations_of_the_mixes_are_kept_as_libebur128_reads_them(done: tuple[Path, Any], mixes: Path) -> None:
    # libebur128 (BS.1770) on the mixes and on mixes turned by the gain that each sheet states.
    whole, wanted = [], []
    told = json.loads((done[0] / "album.json").read_text())
    mode = pyebur128.MeasurementMode.MODE_I
    for name, track in zip(("a <b>", "b", "c"), told["tracks"], strict=False):
        samples, _ = soundfile.read(mixes / f"{name}.wav", always_2d=True)
        mix = pyebur128.R128State(2, RATE, mode)
        mix.add_frames(np.ascontiguousarray(samples).reshape(-1), len(samples))
        wanted.append(pyebur128.get_loudness_global(mix))
        master = pyebur128.R128State(2, RATE, mode)
        gain = 10.0 ** ((track["figures"]["integrated_lufs"] - wanted[-1]) / 20.0)
        master.add_frames(np.ascontiguousarray(gain * samples).reshape(-1), len(samples))
        whole.append(master)
    heard = [track["figures"]["integrated_lufs"] for track in told["tracks"][:3]]
    assert np.diff(heard) == pytest.approx(np.diff(wanted), abs=0.1)
    assert heard[0] == pytest.approx(-18.0, abs=0.1)
    # The album's loudness pools the blocks of all tracks, as libebur128 does over several states; fades and the
    # rounding of the gain to what a hand can set are in the tolerance.
    assert told["album_lufs"] == pytest.approx(pyebur128.get_loudness_global_multiple(whole), abs=0.1)


def test_the_page_links_every_sheet_and_a_title_is_no_markup(done: tuple[Path, Any]) -> None:
    out, _ = done
    tags: list[tuple[str, dict[str, str | None]]] = []

    class Reader(HTMLParser):
        def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
            tags.append((tag, dict(attrs)))

    Reader().feed((out / "album.html").read_text())
    links = [own["href"] for tag, own in tags if tag == "a"]
    assert len(links) == 9
    assert len([own for tag, own in tags if tag == "circle"]) == 6  # a ring and a dot for each of three tracks
    assert "./01-a%20%3Cb%3E.sheet.html" in links
    assert "b" not in {tag for tag, _ in tags}


def test_nothing_is_overwritten_and_an_edited_sheet_is_kept(
    done: tuple[Path, Any], mixes: Path, command: Callable[..., Any]
) -> None:
    out, _ = done
    before = contents(out)
    assert command("album", mixes, "-o", out, *ASKED).code == 2
    assert contents(out) == before
    edited = out / "02-b.sheet.md"
    edited.write_text("mine")
    ran = command("album", mixes, "-o", out, *ASKED, "--resume")
    assert ran.code == 1
    assert edited.read_text() == "mine"
    assert "0 of 4 tracks searched" in ran.err
    for name, content in before.items():
        (out / name).write_bytes(content)


def test_killed_in_mid_album_and_resumed_gives_the_same_bytes_and_does_nothing_twice(
    done: tuple[Path, Any], mixes: Path, tmp_path: Path, command: Callable[..., Any]
) -> None:
    arguments = [sys.executable, "-m", "autochain", "album", str(mixes), "-o", str(tmp_path), *map(str, ASKED)]
    last = tmp_path / "01-a <b>.sheet.json"
    with subprocess.Popen(arguments, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as running:
        end = time.monotonic() + 120.0
        while not last.exists() and running.poll() is None and time.monotonic() < end:
            time.sleep(0.01)
        running.kill()
    first, third = last.stat().st_mtime_ns, tmp_path / "03-c.sheet.json"
    assert last.exists()
    assert not third.exists()
    ran = command("album", mixes, "-o", tmp_path, *ASKED, "--resume")
    assert ran.code == 1
    assert last.stat().st_mtime_ns == first
    whole = {n: c for n, c in contents(tmp_path).items() if not n.startswith(".")}
    assert whole == contents(done[0])
