"""A file has the silence that its sheet sets, whatever silence the mix had, wherever it is written."""

import json
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from autochain.audio.files import write_wav
from autochain.demo import make_demo

RATE = 44100
# Quiet enough for a gain alone: no search costs time.
ASKED = ("--lufs", -22, "--jobs", 1, "--no-log")
HEAD_S, TAIL_S = 3.0, 19.0


def silent(seconds: float) -> np.ndarray:
    return np.zeros((round(seconds * RATE), 2), np.float32)


@cache
def song(seed: int = 1) -> np.ndarray:
    """Eight seconds that begin and end at once."""
    whole = make_demo("dense_rock", RATE, 12.0, seed)
    return whole[2 * RATE : 10 * RATE]


def silence_s(path: Path) -> tuple[float, float]:
    """Time at both ends of a file in which no sample is over dither of 24 bits, and the rate it has."""
    samples, rate_hz = soundfile.read(path, dtype="float64", always_2d=True)
    sounds = np.flatnonzero(np.abs(samples).max(axis=1) > 1e-6)
    return sounds[0] / rate_hz, (len(samples) - 1 - sounds[-1]) / rate_hz


@pytest.fixture(scope="module", params=["much", "none"])
def made(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory, command: Callable[..., Any]
) -> tuple[str, Path]:
    """A sheet with a preview of a mix that has much silence or none, its delivery at two rates, and an album of it."""
    folder = tmp_path_factory.mktemp("silence")
    head, tail = (HEAD_S, TAIL_S) if request.param == "much" else (0.0, 0.0)
    write_wav(folder / "mix.wav", np.concatenate([silent(head), song(), silent(tail)]), RATE, 1)
    # Without its voices: half as loud, begins and ends with the main version.
    write_wav(folder / "other.wav", 0.5 * np.concatenate([silent(head), song(2), silent(tail)]), RATE, 1)
    # A count-in, and a tail that is longer.
    early, late = song(3)[:RATE], song(3)[-RATE:]
    longer = np.concatenate([silent(head), song(), silent(tail)])
    if request.param == "much":
        longer[: len(early)] += early
        longer[-2 * len(late) : -len(late)] += late
    write_wav(folder / "longer.wav", 0.5 * longer, RATE, 1)
    ran = command("suggest", folder / "mix.wav", "-o", folder, "--preview", "--no-sound", *ASKED)
    assert ran.code == 0, ran.err
    ran = command(
        "render", folder / "mix.wav", "--sheet", folder / "mix.sheet.json", "-o", folder / "out", "--also", "flac24",
        "--also", "wav24@48000", "--alternate", folder / "other.wav", "--alternate", folder / "longer.wav", "--no-log",
    )  # fmt: skip
    assert ran.code == 0, ran.err
    ran = command("album", folder / "mix.wav", "-o", folder / "album", "--masters", *ASKED)
    assert ran.code == 0, ran.err
    return request.param, folder


def test_every_file_has_the_silence_that_the_sheet_sets(made: tuple[str, Path]) -> None:
    _, folder = made
    files = [folder / "mix.preview.wav", folder / "album" / "01-mix.master.wav"]
    sound = [path for path in (folder / "out").iterdir() if path.suffix in (".wav", ".flac")]
    files += [path for path in sound if "longer" not in path.name]
    assert len(files) == 2 + 6
    for path in files:
        # 200 ms, the sheet's own; a cut is whole milliseconds, and resampling rings for one more
        assert silence_s(path) == pytest.approx((0.2, 0.2), abs=0.0021), path.name


def test_the_sheet_says_what_is_cut_and_that_times_stay_those_of_the_mix(made: tuple[str, Path]) -> None:
    kind, folder = made
    sheet = json.loads((folder / "mix.sheet.json").read_text())
    notes = {note["code"]: note["text"] for note in sheet["notes"]}
    findings = [one for one in sheet["readiness"]["findings"] if one["code"] == "silence" and one["unit"] == "s"]
    cues = next(stage["cues_s"] for stage in sheet["stages"] if stage["stage"] == "output")
    if kind == "none":
        assert "silence_cut" not in notes
        assert findings == []
        return
    assert "3.00 s at the start and 19.00 s at the end, from 0:11.0 on" in notes["silence_cut"]
    assert "Times are positions in your mix" in (folder / "mix.sheet.md").read_text()
    assert len(findings) == 2
    assert all("cut off here" in one["suggestion"] for one in findings)
    # the first attack, with no silence to wait through, and the last seconds that sound
    assert cues[0] == pytest.approx(HEAD_S, abs=0.01)
    assert cues[1] == pytest.approx(HEAD_S + 8.0 - 5.0, abs=0.02)


def test_versions_are_cut_alike_at_the_start_and_keep_a_longer_tail(made: tuple[str, Path]) -> None:
    kind, folder = made
    main, other, longer = (folder / "out" / f"{name}.master.wav" for name in ("mix", "other", "longer"))
    page = (folder / "out" / "mix.delivery.md").read_text()
    delivery = json.loads((folder / "out" / "mix.delivery.json").read_text())
    data = {version["file"]: version["cut_sounds"] for version in delivery["versions"]}
    assert soundfile.info(main).frames == soundfile.info(other).frames
    if kind == "none":
        assert data == {"other.wav": [], "longer.wav": []}
        return
    assert data == {"other.wav": [], "longer.wav": ["start", "end"]}
    assert "It begins before the main version: that is cut off" in page
    # the same samples lie at the same place; of the tail, a second of silence after it goes
    samples = [soundfile.read(path, always_2d=True)[0] for path in (main, longer)]
    part = slice(RATE // 5, RATE // 5 + 6 * RATE)
    ratio = np.sum(samples[0][part] * samples[1][part]) / np.sum(samples[0][part] ** 2)
    np.testing.assert_allclose(samples[1][part], ratio * samples[0][part], atol=1e-6)
    assert len(samples[1]) - len(samples[0]) == pytest.approx((TAIL_S - 1.0) * RATE, abs=RATE // 500)


def test_a_lock_keeps_the_silence(made: tuple[str, Path], command: Callable[..., Any], tmp_path: Path) -> None:
    kind, folder = made
    locks = ("--lock", "output.head_cut_ms=0", "--lock", "output.tail_cut_ms=1000", "--no-sound")
    ran = command("suggest", folder / "mix.wav", "-o", tmp_path, "--preview", *locks, *ASKED)
    assert ran.code == 0, ran.err
    head, tail = silence_s(tmp_path / "mix.preview.wav")
    had = (HEAD_S, TAIL_S - 1.0) if kind == "much" else (0.0, 0.0)
    assert (head, tail) == pytest.approx((0.2 + had[0], 0.2 + had[1]), abs=0.0021)
    ran = command("suggest", folder / "mix.wav", "-o", tmp_path / "x", "--lock", "output.tail_cut_ms=99000", *ASKED)
    assert ran.code == 2
    assert "nothing is left" in ran.err
