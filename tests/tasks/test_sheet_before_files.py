"""The sheet is there before its page is drawn and any file written; files come complete or not at all."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from autochain.audio.files import write_wav
from autochain.audio.signals import pink_noise
from autochain.errors import AudioFileError
from autochain.tasks.suggest import SuggestRequest, suggest

RATE_HZ = 44100
QUIET = ["--lufs=-30", "--no-log"]  # reached by a gain: no search


@pytest.fixture(scope="module")
def mix(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("mix") / "song.wav"
    write_wav(path, pink_noise(5.0, RATE_HZ, -20.0), RATE_HZ, 1)
    return path


def written(folder: Path) -> set[str]:
    names = {path.name for path in folder.iterdir()}
    return {name for name in names if not name.startswith(".") and not name.endswith(".journal.jsonl")}


def test_the_result_is_told_before_any_file_is_there(mix: Path, tmp_path: Path) -> None:
    told = []
    found = suggest(
        SuggestRequest(mix=mix, lufs=-30.0, out=tmp_path, preview=True),
        known=lambda result: told.append((result.markdown(), result.files, written(tmp_path))),
    )
    assert told == [(found.markdown(), (), set())]
    assert {path.name for path in found.files} == written(tmp_path)
    assert {"song.sheet.html", "song.sheet.md", "song.sheet.json", "song.preview.wav"} < written(tmp_path)


def test_where_the_page_cannot_be_drawn_the_sheet_is_known_and_nothing_is_written(
    mix: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*given: object, **named: object) -> None:
        raise AudioFileError("no page today.")

    monkeypatch.setattr("autochain.page.sheet_page.to_html", fails)
    told = []
    with pytest.raises(AudioFileError, match="no page"):
        suggest(SuggestRequest(mix=mix, lufs=-30.0, out=tmp_path), known=told.append)
    assert len(told) == 1
    assert written(tmp_path) == set()


@pytest.mark.skipif(os.name != "posix", reason="a pipe without a reader is told by a signal or an error there only")
def test_files_are_written_where_nobody_reads_what_is_printed(mix: Path, tmp_path: Path) -> None:
    read, write = os.pipe()
    os.close(read)
    command = [sys.executable, "-m", "autochain", "suggest", str(mix), "-o", str(tmp_path), *QUIET]
    with os.fdopen(write, "wb") as nobody:
        done = subprocess.run(command, stdout=nobody, stderr=subprocess.PIPE, text=True, check=False)
    assert done.returncode == 1
    assert "Traceback" not in done.stderr
    assert written(tmp_path) == {"song.sheet.html", "song.sheet.md", "song.sheet.json"}
