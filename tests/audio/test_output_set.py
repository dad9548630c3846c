"""A set of files appears as a whole or not at all, whenever the run is killed, and one process at a time writes it."""

import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from autochain.audio.files import write_text
from autochain.audio.output_set import OutputSet, clear_unfinished, output_set
from autochain.errors import AudioFileError, RunningError, UsageError

NEW = {"mix.md": "new sheet", "mix.json": "{}", "mix.wav": "new sound"}


class KilledError(BaseException):
    """Stands for a kill: nothing is put in order behind it."""


def stage(outputs: OutputSet) -> None:
    for name, text in NEW.items():
        write_text(outputs.staging / name, text)
    write_text(outputs.staging / "mix.sound" / "0000.js", "new")


def contents(folder: Path) -> dict[str, str]:
    return {str(p.relative_to(folder)): p.read_text(encoding="utf-8") for p in folder.rglob("*") if p.is_file()}


def killed_at(move: int, outputs: OutputSet, monkeypatch: pytest.MonkeyPatch, **asked: object) -> bool:
    """Commit, killed just before the move of that number; whether it came to it."""
    original, moves = Path.rename, 0

    def rename(self: Path, target: Path) -> Path:
        nonlocal moves
        moves += 1
        if moves > move:
            raise KilledError
        return original(self, target)

    with monkeypatch.context() as patched:
        patched.setattr(Path, "rename", rename)
        try:
            outputs.commit(**asked)  # type: ignore[arg-type]
        except KilledError:
            return True
    return False


@pytest.mark.parametrize("move", range(9))
def test_killed_at_any_move_the_next_run_finds_all_old_files_or_all_new_ones(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, move: int
) -> None:
    old = {"mix.md": "old sheet", "mix.wav": "old sound", "mix.sound/0000.js": "old", "mix.journal.jsonl": "trials"}
    for name, text in old.items():
        write_text(tmp_path / name, text)
    outputs = OutputSet(tmp_path, "mix")
    stage(outputs)
    killed = killed_at(move, outputs, monkeypatch, force=True, journal=tmp_path / "mix.journal.jsonl")
    with output_set(tmp_path, "mix"):
        pass
    new = {**NEW, "mix.sound/0000.js": "new"}
    # Seven moves: four to their places, and three before them that put old files aside.
    assert killed == (move < 7)
    assert contents(tmp_path) == (old if killed else new)


def test_a_set_that_was_whole_when_its_run_was_killed_stays_and_its_journal_goes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    unlink = Path.unlink

    def killed(self: Path, missing_ok: bool = False) -> None:
        if self.name == "mix.journal.jsonl":
            raise KilledError
        unlink(self, missing_ok)

    write_text(tmp_path / "mix.journal.jsonl", "trials")
    outputs = OutputSet(tmp_path, "mix")
    stage(outputs)
    with monkeypatch.context() as patched:
        patched.setattr(Path, "unlink", killed)
        with pytest.raises(KilledError):
            outputs.commit(journal=tmp_path / "mix.journal.jsonl")
    with output_set(tmp_path, "mix"):
        pass
    assert contents(tmp_path) == {**NEW, "mix.sound/0000.js": "new"}


def test_what_is_taken_back_is_only_what_the_killed_run_wrote(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    outputs = OutputSet(tmp_path, "mix")
    stage(outputs)
    assert killed_at(2, outputs, monkeypatch)  # two of four are there
    (tmp_path / "mix.json").write_text("by hand", encoding="utf-8")
    (tmp_path / "mine.part").write_text("mine", encoding="utf-8")
    with output_set(tmp_path, "mix"):
        pass
    assert contents(tmp_path) == {"mix.json": "by hand", "mine.part": "mine"}


def test_an_error_leaves_nothing_and_names_the_file_as_it_would_have_been_called(tmp_path: Path) -> None:
    def fails() -> None:
        with output_set(tmp_path / "new" / "folder", "mix") as outputs:
            stage(outputs)
            raise AudioFileError(f"{outputs.staging / 'mix.wav'} cannot be written")

    with pytest.raises(AudioFileError, match=r"folder/mix\.wav cannot be written"):
        fails()
    assert list(tmp_path.iterdir()) == []


def test_a_file_that_has_come_meanwhile_is_kept_and_nothing_appears(tmp_path: Path) -> None:
    def fails() -> None:
        with output_set(tmp_path, "mix") as outputs:
            stage(outputs)
            (tmp_path / "mix.wav").write_text("somebody's", encoding="utf-8")
            outputs.commit()

    with pytest.raises(UsageError, match=r"mix\.wav exists already"):
        fails()
    assert contents(tmp_path) == {"mix.wav": "somebody's"}


def test_single_files_left_by_a_kill_go_only_where_the_job_says_that_they_are_its_own(tmp_path: Path) -> None:
    names = (".autochain-0123456789ab.part", "mine.part", ".autochain.toml")
    for name in names:
        (tmp_path / name).write_text("half", encoding="utf-8")
    with output_set(tmp_path, "mix"):
        pass
    assert set(contents(tmp_path)) == set(names)
    with output_set(tmp_path, "album", parts=(tmp_path, tmp_path / "absent")):
        pass
    assert set(contents(tmp_path)) == set(names[1:])


def test_something_in_the_way_of_unfinished_files_is_not_touched(tmp_path: Path) -> None:
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "elsewhere" / "mine").write_text("mine", encoding="utf-8")
    (tmp_path / ".mix.part").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(UsageError, match="in the way"), output_set(tmp_path, "mix"):
        pass
    assert (tmp_path / "elsewhere" / "mine").read_text(encoding="utf-8") == "mine"


HOLD = "import sys,time;from pathlib import Path;from autochain.audio.output_set import output_set\n"
HOLD += "with output_set(Path(sys.argv[1]), 'mix'):\n print('held', flush=True); time.sleep(60)"


@pytest.fixture
def holding(tmp_path: Path) -> Callable[[], "subprocess.Popen[str]"]:
    """Start a process that holds the set."""

    def start() -> "subprocess.Popen[str]":
        process = subprocess.Popen([sys.executable, "-c", HOLD, str(tmp_path)], stdout=subprocess.PIPE, text=True)
        assert process.stdout is not None
        assert process.stdout.readline() == "held\n"
        return process

    return start


def test_a_second_process_is_told_who_is_running_and_a_killed_one_locks_nobody_out(
    tmp_path: Path, holding: Callable[[], "subprocess.Popen[str]"]
) -> None:
    process = holding()
    told = rf"Running, process {process.pid}, since {time.strftime('%Y')}-\d\d-\d\d \d\d:\d\d:\d\d\. Wait"
    with pytest.raises(RunningError, match=told), output_set(tmp_path, "mix"):
        pass
    with output_set(tmp_path, "other"):  # another set of the folder is free
        pass
    process.send_signal(signal.SIGKILL)
    process.communicate(timeout=20)
    with output_set(tmp_path, "mix"):
        assert json.loads((tmp_path / ".mix.lock").read_text(encoding="utf-8"))["process"] == os.getpid()
        with pytest.raises(RunningError, match=f"process {os.getpid()}"), output_set(tmp_path, "mix"):
            pass
    assert list(tmp_path.iterdir()) == []


def test_a_lock_of_another_computer_is_left_alone_and_says_what_to_do(tmp_path: Path) -> None:
    lock = tmp_path / ".mix.lock"
    lock.write_text(json.dumps({"process": 7, "host": "the-other", "since": "2026-11-30 10:00:00"}), encoding="utf-8")
    told = r"Running on the-other, process 7, .* delete \.mix\.lock"
    with pytest.raises(RunningError, match=told), output_set(tmp_path, "mix"):
        pass
    assert lock.exists()
    lock.write_text("cut o", encoding="utf-8")  # killed while it was written: nobody's
    with output_set(tmp_path, "mix"):
        pass


def test_where_the_system_gives_no_locks_a_process_that_lives_is_believed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import autochain.audio.output_set as module

    def none(held: int, how: int) -> None:
        raise OSError(95, "Operation not supported")

    monkeypatch.setattr(module.fcntl, "flock", none)
    lock = tmp_path / ".mix.lock"
    owner = {"host": socket.gethostname(), "since": "2026-11-30 10:00:00"}
    lock.write_text(json.dumps({"process": os.getppid(), **owner}), encoding="utf-8")
    with pytest.raises(RunningError, match="Running, process"), output_set(tmp_path, "mix"):
        pass
    gone = subprocess.Popen([sys.executable, "-c", ""])
    gone.wait(timeout=20)
    lock.write_text(json.dumps({"process": gone.pid, **owner}), encoding="utf-8")
    with output_set(tmp_path, "mix"):
        pass


def test_all_sets_that_killed_runs_have_left_are_brought_to_their_end_and_others_stay(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    outputs = OutputSet(tmp_path, "mix")
    stage(outputs)
    assert killed_at(1, outputs, monkeypatch)
    write_text(tmp_path / ".gone.lock", "")
    write_text(tmp_path / ".autochain-0123.part", "a single file")
    with output_set(tmp_path, "other") as running:
        write_text(running.staging / "other.md", "being written")
        clear_unfinished(tmp_path)
        left = sorted(one.name for one in tmp_path.iterdir())
        assert left == [".autochain-0123.part", ".other.lock", ".other.part"]
        assert (running.staging / "other.md").exists()
