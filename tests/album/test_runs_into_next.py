"""Songs that run into each other: the masters, laid end to end, are the master of the mixes laid end to end."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from autochain.audio.files import write_wav
from autochain.demo import make_demo

RATE = 44100
# Quiet enough for a gain alone, loud enough for the trims not to be equal: no search costs time.
ASKED = ("--lufs", -20, "--jobs", 1, "--no-log")
CUT = 5 * RATE + 17


def whole_song(seed: int = 1) -> np.ndarray:
    return make_demo("dense_rock", RATE, 10.0, seed)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory, command: Callable[..., Any]) -> Path:
    """A folder with one mix cut in two, the two as one file, another song, and the album of the two and the other."""
    folder = tmp_path_factory.mktemp("linked")
    whole = whole_song()
    write_wav(folder / "first.wav", whole[:CUT], RATE, 1)
    write_wav(folder / "second.wav", whole[CUT:], RATE, 2)
    write_wav(folder / "alone.wav", 0.5 * whole_song(2), RATE, 3)
    cut = [soundfile.read(folder / f"{name}.wav", dtype="int32", always_2d=True)[0] for name in ("first", "second")]
    soundfile.write(folder / "whole.wav", np.concatenate(cut), RATE, subtype="PCM_24")
    (folder / "order.toml").write_text(
        '[[track]]\nfile = "first.wav"\nruns_into_next = true\n[[track]]\nfile = "second.wav"\n'
        '[[track]]\nfile = "alone.wav"\n'
    )
    ran = command("album", folder / "order.toml", "-o", folder / "out", "--masters", *ASKED)
    assert ran.code == 0, ran.err
    return folder


def words_of(path: Path) -> np.ndarray:
    return soundfile.read(path, dtype="int32", always_2d=True)[0]


def test_masters_end_to_end_are_the_master_of_the_whole(made: Path, command: Callable[..., Any]) -> None:
    # The whole as one file takes another way: suggest and render, as for any song.
    command("suggest", made / "whole.wav", "-o", made / "one", "--lufs", -20, "--no-log")
    ran = command("render", made / "whole.wav", "--sheet", made / "one" / "whole.sheet.json", "-o", made / "one")
    assert ran.code == 0, ran.err
    parts = [words_of(made / "out" / f"{name}.master.wav") for name in ("01-first", "02-second")]
    np.testing.assert_array_equal(np.concatenate(parts), words_of(made / "one" / "whole.master.wav"))
    # The cut is where the mixes met, after the sheet's silence in place of the mix's own; the second has none.
    output = json.loads((made / "out" / "01-first.sheet.json").read_text())["stages"][-1]["settings"]
    assert output["head_cut_ms"] > 0.0
    assert len(parts[0]) - CUT == round(0.2 * RATE) - round(output["head_cut_ms"] * RATE / 1000.0)
    assert np.abs(parts[1][: RATE // 100]).max() > 1 << 24


def test_a_track_alone_gets_the_bytes_that_render_writes(made: Path, command: Callable[..., Any]) -> None:
    sheet = made / "out" / "03-alone.sheet.json"
    ran = command("render", made / "alone.wav", "--sheet", sheet, "-o", made / "rendered", "--no-log")
    assert ran.code == 0, ran.err
    master = made / "out" / "03-alone.master.wav"
    assert master.read_bytes() == (made / "rendered" / "alone.master.wav").read_bytes()


def test_overview_and_sheet_tell_what_runs_into_what(made: Path) -> None:
    linked, alone = json.loads((made / "out" / "album.json").read_text())["tracks"]
    assert [part["title"] for part in linked["parts"]] == ["first", "second"]
    assert linked["parts"][1]["start_s"] == pytest.approx(CUT / RATE, abs=1e-6)
    assert alone["parts"] == []
    said = "first from 0:00.0 on"
    assert said in (made / "out" / "album.md").read_text()
    sheet = (made / "out" / "01-first.sheet.md").read_text()
    assert "run into each other" in sheet
    assert said in sheet


def test_resume_renders_only_what_is_missing_and_keeps_what_was_changed(
    made: Path, command: Callable[..., Any]
) -> None:
    out = made / "out"
    before = {path.name: path.read_bytes() for path in out.glob("*.master*")}
    untouched = (out / "03-alone.master.wav").stat().st_mtime_ns
    (out / "02-second.master.wav").unlink()
    again = ("album", made / "order.toml", "-o", out, "--masters", "--resume", *ASKED)
    assert command(*again).code == 0
    assert {path.name: path.read_bytes() for path in out.glob("*.master*")} == before
    assert (out / "03-alone.master.wav").stat().st_mtime_ns == untouched
    (out / "02-second.master.wav").write_bytes(b"mine")
    (out / "01-first.master.wav").unlink()
    ran = command(*again)
    assert ran.code == 1
    assert "02-second.master.wav is not as the album wrote it" in ran.err
    assert (out / "02-second.master.wav").read_bytes() == b"mine"
    (out / "02-second.master.wav").write_bytes(before["02-second.master.wav"])


def test_mixes_of_different_formats_cannot_run_into_each_other(tmp_path: Path, command: Callable[..., Any]) -> None:
    song = whole_song()[: 4 * RATE]
    write_wav(tmp_path / "a.wav", song, RATE, 1)
    write_wav(tmp_path / "b.wav", song, 48000, 1)
    write_wav(tmp_path / "c.wav", song[:, :1], RATE, 1)
    for other, told in (("b", "b.wav (48000 Hz, channels: 2)"), ("c", "c.wav (44100 Hz, channels: 1)")):
        listed = tmp_path / f"{other}.toml"
        listed.write_text(f'[[track]]\nfile = "a.wav"\nruns_into_next = true\n[[track]]\nfile = "{other}.wav"\n')
        ran = command("album", listed, "-o", tmp_path / other, *ASKED)
        assert ran.code == 1
        error = json.loads((tmp_path / other / "album.json").read_text())["tracks"][0]["error"]
        assert "a.wav (44100 Hz, channels: 2) cannot run into" in error
        assert told in error
