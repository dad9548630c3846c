"""A run that is killed while its files are written is gone on with, to the identical files."""

from collections.abc import Callable
from pathlib import Path

import pytest

from autochain.audio.output_set import OutputSet
from tests.conftest import Ran


class KilledError(BaseException):
    """Stands for a kill: nothing is put in order behind it."""


def contents(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def test_killed_while_files_are_written_and_resumed_gives_the_same_bytes(
    command: Callable[..., Ran], brief_mix: Path, small_plan: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked = ("suggest", brief_mix, "--lufs", -11, "--config", small_plan, "--budget", 4, "--preview", "--no-log")
    assert command(*asked, "-o", tmp_path / "straight").code in (0, 3)
    out, moved, rename = tmp_path / "out", 0, Path.rename

    def killed(self: Path, target: Path) -> Path:
        nonlocal moved
        moved += 1
        if moved > 2:
            raise KilledError
        return rename(self, target)

    with monkeypatch.context() as patched:
        patched.setattr(Path, "rename", killed)
        patched.setattr(OutputSet, "clear", lambda self: None)
        with pytest.raises(KilledError):
            command(*asked, "-o", out)
    assert (out / ".brief.suggest.part" / ".plan").exists()
    assert len([path for path in out.iterdir() if not path.name.startswith(".")]) == 3  # two files and the journal
    refused = command(*asked, "-o", out)
    assert (refused.code, "--resume" in refused.err) == (2, True)
    assert {path.suffix for path in out.iterdir()} == {".jsonl"}  # what half a set had moved is taken back
    ran = command(*asked, "-o", out, "--resume")
    assert ran.code in (0, 3), ran.err
    assert contents(out) == contents(tmp_path / "straight")
    again = command(*asked, "-o", out, "--resume")
    assert (again.code, "nothing is left to go on with" in again.err) == (2, True)
