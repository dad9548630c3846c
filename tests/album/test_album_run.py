"""Whole albums, at loudness that a gain alone reaches, so that no search costs time."""

import errno
import json
import os
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
from autochain.search.request import RunOptions, SearchRequest
from autochain.search.result import Suggestion
from autochain.search.run import suggest

RATE = 44100
ASKED = ("--levels", "relations", "--lufs", -18, "--jobs", 1)
GAINS = (1.0, 0.5, 0.3)


@pytest.fixture(scope="module")
def mixes(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("mixes")
    for name, gain, seed in zip(("a <b>", "b", "c"), GAINS, (1, 2, 3), strict=True):
        write_wav(folder / f"{name}.wav", gain * make_demo("dense_rock", RATE, 10.0, seed)[: 5 * RATE], RATE, 1)
    (folder / "d.wav").write_bytes(b"no sound")
    return folder


@pytest.fixture(scope="module")
def done(mixes: Path, tmp_path_factory: pytest.TempPathFactory, command: Callable[..., Any]) -> tuple[Path, Any]:
    out = tmp_path_factory.mktemp("album")
    return out, command("album", mixes, "-o", out, *ASKED)


def contents(folder: Path) -> dict[str, bytes]:
    """Results by name; what begins with a dot only saves a restart from reading mixes."""
    return {path.name: path.read_bytes() for path in folder.iterdir() if not path.name.startswith(".")}


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
    # Three files a track and its row; a dot of each in five pictures; two gaps.
    assert len(links) == 9 + 3 + 3 * 5 + 2
    assert len([own for tag, own in tags if tag == "circle" and own["class"] == "ring"]) == 3
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


def test_two_tracks_at_a_time_give_the_same_bytes(
    tmp_path: Path, small_plan: Path, command: Callable[..., Any]
) -> None:
    song = make_demo("brass_led_asymmetric", RATE, 10.0, 5)
    mixes = tmp_path / "mixes"
    mixes.mkdir()
    for place in range(3):  # the last one is searched, the others need a gain
        part = song[place * RATE : (place + 4) * RATE]
        write_wav(mixes / f"{place}.wav", (0.3, 0.4, 1.0)[place] * part, RATE, 1)
    asked = ("--levels", "relations", "--lufs", -10, "--config", small_plan, "--budget", 3, "--no-log")
    for jobs in (1, 2):
        ran = command("album", mixes, "-o", tmp_path / str(jobs), *asked, "--jobs", jobs)
        assert "3 of 3 tracks searched" in ran.err
    assert contents(tmp_path / "1") == contents(tmp_path / "2")
    sheets = [json.loads((tmp_path / "1" / f"0{k}-{k - 1}.sheet.json").read_text()) for k in (1, 2, 3)]
    assert [bool(sheet["search"]["trials"]) for sheet in sheets] == [False, False, True]


def test_killed_in_mid_album_and_resumed_gives_the_same_bytes_and_does_nothing_twice(
    done: tuple[Path, Any], mixes: Path, tmp_path: Path, command: Callable[..., Any]
) -> None:
    arguments = [sys.executable, "-m", "autochain", "album", str(mixes), "-o", str(tmp_path), *map(str, ASKED[:-1])]
    with subprocess.Popen([*arguments, "2"], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as running:
        end = time.monotonic() + 300.0
        while not done_there(tmp_path) and running.poll() is None and time.monotonic() < end:
            time.sleep(0.01)
        running.kill()
    before = done_there(tmp_path)
    assert 1 <= len(before) <= 2
    ran = command("album", mixes, "-o", tmp_path, *ASKED, "--resume")
    assert ran.code == 1
    assert f"{3 - len(before)} of 4 tracks searched" in ran.err
    assert done_there(tmp_path).items() > before.items()
    assert contents(tmp_path) == contents(done[0])


def done_there(folder: Path) -> dict[str, int]:
    """When the last file of each track was written."""
    return {path.name: path.stat().st_mtime_ns for path in folder.glob("*.sheet.json")}


def test_an_album_in_another_order_is_renamed_and_not_searched(
    done: tuple[Path, Any], mixes: Path, tmp_path: Path, command: Callable[..., Any]
) -> None:
    for name, content in contents(done[0]).items():
        (tmp_path / name).write_bytes(content)
    order = [mixes / f"{name}.wav" for name in ("c", "a <b>", "b")]
    ran = command("album", *order, "-o", tmp_path, *ASKED, "--resume")
    assert ran.code == 0
    assert "0 of 3 tracks searched" in ran.err
    for new, old in (("01-c", "03-c"), ("02-a <b>", "01-a <b>"), ("03-b", "02-b")):
        assert (tmp_path / f"{new}.sheet.html").read_bytes() == (done[0] / f"{old}.sheet.html").read_bytes()
    assert {path.name[:3] for path in tmp_path.glob("*.track.json")} == {"01-", "02-", "03-"}
    # Once more: the new names are the tracks' own now.
    assert "0 of 3 tracks searched" in command("album", *order, "-o", tmp_path, *ASKED, "--resume").err


def test_a_mix_is_read_again_when_its_size_or_time_changed_and_not_otherwise(
    tmp_path: Path, command: Callable[..., Any]
) -> None:
    mix, out = tmp_path / "a.wav", tmp_path / "out"
    write_wav(mix, make_demo("sparse_acoustic", RATE, 10.0, 1)[: 4 * RATE], RATE, 1)
    os.utime(mix, ns=(10**18, 10**18))  # long ago, so that what was heard is kept
    asked = ("album", mix, "-o", out, "--lufs", -30, "--jobs", 1)
    assert command(*asked).code == 0
    content = mix.read_bytes()
    mix.write_bytes(content[:-8] + bytes(8))
    os.utime(mix, ns=(10**18, 10**18))
    assert "0 of 1 tracks searched" in command(*asked, "--resume").err
    os.utime(mix, ns=(10**18, 10**18 + 1))
    assert "1 of 1 tracks searched" in command(*asked, "--resume").err


def test_a_disk_that_fills_up_under_the_list_of_mixes_is_said_to_be_full(
    mixes: Path, tmp_path: Path, command: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    """It read as if stdout were, and as if all files were written."""
    for path in mixes.iterdir():
        os.utime(path, (1e9, 1e9))
    opened = Path.open

    def full(self: Path, mode: str = "r", *more: Any, **named: Any) -> Any:
        if (self.name, mode) == (".album.mixes.jsonl", "a"):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))  # of a write: it has no name in it
        return opened(self, mode, *more, **named)

    monkeypatch.setattr(Path, "open", full)
    ran = command("album", mixes, "-o", tmp_path / "out", *ASKED)
    assert ran.code == 1
    last = ran.err.splitlines()[-1]
    assert ".album.mixes.jsonl cannot be written (No space left on device); make space" in last


def test_a_fault_of_ours_in_one_track_costs_no_other(
    mixes: Path, tmp_path: Path, command: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    def faulty(request: SearchRequest, run: RunOptions) -> Suggestion:
        if request.mix.file == "b.wav":
            raise ZeroDivisionError("no luck")
        return suggest(request, run)

    monkeypatch.setattr("autochain.album.job.suggest", faulty)
    ran = command("album", mixes / "b.wav", mixes / "c.wav", "-o", tmp_path, *ASKED)
    assert ran.code == 1
    assert "ZeroDivisionError: no luck (test_album_run.py:" in ran.out
    assert "1 of 2 tracks searched" in ran.err


def test_every_track_has_its_line_in_the_log(tmp_path: Path, command: Callable[..., Any]) -> None:
    mix, log = tmp_path / "a.wav", tmp_path / "log.jsonl"
    write_wav(mix, make_demo("sparse_acoustic", RATE, 10.0, 1)[: 4 * RATE], RATE, 1)
    asked = ("album", mix, "-o", tmp_path / "out", "--lufs", -30, "--jobs", 1, "--log", log)
    assert command(*asked).code == 0
    (line,) = log.read_text().splitlines()
    entry = json.loads(line)
    assert (entry["command"], entry["mix"]["file"]) == ("album", "a.wav")
    assert entry["after"]["integrated_lufs"] == pytest.approx(-30.0, abs=0.1)
    assert command(*asked, "--resume").code == 0  # nothing is done, so nothing is logged
    assert log.read_text().splitlines() == [line]


def test_what_keeps_a_track_from_being_done_is_told_once_and_before_any_search(
    mixes: Path, tmp_path: Path, command: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    soundfile.write(tmp_path / "silent.wav", np.zeros((4 * RATE, 2)), RATE)
    (tmp_path / "out").mkdir()
    edited = tmp_path / "out" / "03-b.sheet.json"
    asked = ("album", mixes / "d.wav", tmp_path / "silent.wav", mixes / "b.wav", "-o", tmp_path / "out", *ASKED)
    assert "1 of 3 tracks searched" in command(*asked).err
    edited.write_text("{}", encoding="utf-8")

    def refuse(*_: Any) -> None:
        raise AssertionError("a track was searched")

    monkeypatch.setattr("autochain.album.job.suggest", refuse)
    told = [line for line in command(*asked, "--resume").err.splitlines() if line.startswith("autochain: ")]
    assert [sum(word in line for line in told) for word in ("d.wav", "silent throughout", "03-b.sheet.json")] == [1] * 3
    assert len(told) == 3
