"""The files of one job in one folder: one process at a time writes them, and they are all there or none is.

A lock says who writes. It is a file that the system holds for a process and lets go when the process ends, however that
is, so a killed run locks nobody out. Files are written under their own names into a hidden folder beside their place.
When all are there, a plan with their hashes is written, then each is moved; what is replaced waits in that folder.
After a kill the next run of the same job finds the hidden folder: with a plan that was carried out it is only cleared,
with half of one what was moved is taken back and what was replaced returns. A file that has not the hash of the plan is
somebody else's and stays.
"""

import hashlib
import json
import os
import shutil
import socket
from collections.abc import Iterable, Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext, suppress
from datetime import datetime
from pathlib import Path
from typing import Any

from autochain.audio.blocks import shown
from autochain.audio.files import identities, refuse_overwrite, unwritable, write_text
from autochain.errors import AudioFileError, RunningError, UsageError

try:
    import fcntl
except ImportError:  # Windows
    fcntl = None  # type: ignore[assignment]

_PLAN, _OLD = ".plan", ".old"
_LEFT_BY_A_KILL = ".autochain-*.part"


class OutputSet:
    """Where a job writes its files before they appear.

    Attributes
    ----------
    folder
        Where they will be.
    staging
        Where they are written, under the names that they will have; made with the first file.
    """

    def __init__(self, folder: Path, name: str) -> None:
        self.folder = folder
        self.staging = folder / f".{name}.part"

    def commit(self, force: bool = False, sources: Iterable[Path] = (), journal: Path | None = None) -> None:
        """Let all staged files appear.

        Parameters
        ----------
        force
            Replace files that exist.
        sources
            Input files, which are never replaced.
        journal
            Deleted with it: nothing is left to go on with.

        Raises
        ------
        AudioFileError
            When the folder cannot be written.
        UsageError
            When a file exists that may not be replaced.
        """
        try:
            names = sorted(path.name for path in self.staging.iterdir())
            kept = identities(sources)
            for name in names:
                if not (force and (self.staging / name).is_dir() and (self.folder / name).is_dir()):
                    refuse_overwrite(self.folder / name, force, kept)
            plan = {
                "files": {name: _hash(self.staging / name) for name in names},
                "journal": None if journal is None else journal.name,
            }
            write_text(self.staging / _PLAN, json.dumps(plan))
            (self.staging / _OLD).mkdir()
            for name in names:
                if (self.folder / name).exists():
                    (self.folder / name).rename(self.staging / _OLD / name)
                (self.staging / name).rename(self.folder / name)
            if journal is not None:
                journal.unlink(missing_ok=True)
            shutil.rmtree(self.staging)
        except OSError as error:
            raise unwritable(self.folder, error) from error

    def clear(self) -> None:
        """Bring an unfinished set to its end: carried out as a whole, or taken back as a whole."""
        if not self.staging.exists() and not self.staging.is_symlink():
            return
        if self.staging.is_symlink() or not self.staging.is_dir():
            raise UsageError(f"{shown(self.staging)} is in the way of unfinished files; move it away.")
        plan = self._plan()
        files: dict[str, str] = plan.get("files", {})
        try:
            if all(_hash(self.folder / name) == own for name, own in files.items()):
                if plan.get("journal"):
                    (self.folder / plan["journal"]).unlink(missing_ok=True)
            else:
                self._take_back(files)
            shutil.rmtree(self.staging)
        except OSError as error:
            raise unwritable(self.staging, error) from error

    def _plan(self) -> dict[str, Any]:
        try:
            plan = json.loads((self.staging / _PLAN).read_bytes())
        except (OSError, ValueError):  # nothing has been moved yet
            return {}
        return plan if isinstance(plan, dict) else {}

    def _take_back(self, files: dict[str, str]) -> None:
        for name, own in files.items():
            there, before = self.folder / name, self.staging / _OLD / name
            if not (self.staging / name).exists() and _hash(there) == own:
                if there.is_dir():
                    shutil.rmtree(there)
                else:
                    there.unlink()
            if before.exists() and not there.exists():
                before.rename(there)


def _hash(path: Path) -> str | None:
    """Hash of a file, or of all files in a folder with their names; None where nothing is."""
    if path.is_dir():
        inside = ((str(one.relative_to(path)), _hash(one)) for one in sorted(path.rglob("*")) if one.is_file())
        return hashlib.sha256(json.dumps(list(inside)).encode()).hexdigest()
    try:
        with path.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except FileNotFoundError:
        return None


@contextmanager
def output_set(folder: Path, name: str, *, parts: Iterable[Path] = ()) -> Iterator[OutputSet]:
    """Hold a set of files in a folder for this process, cleared of what a killed run has left of it.

    Folders that are missing are made, and go again where nothing came of them.

    Parameters
    ----------
    folder
        Where the files go.
    name
        Which of the folder's sets: two of different names do not mind each other.
    parts
        Folders in which only this job writes directly, where a kill may have left single files half-written.

    Raises
    ------
    RunningError
        While another process writes this set.
    AudioFileError
        When the folder cannot be made or written.
    UsageError
        When something is in the way of unfinished files.
    """
    try:
        if folder.exists() and not folder.is_dir():
            raise AudioFileError(f"{shown(folder)} is a file; name a folder for the results.")
        made = [one for one in (folder, *folder.absolute().parents) if not one.exists()]
    except OSError as error:
        raise unwritable(folder, error) from error
    try:
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise unwritable(folder, error) from error
        with _locked(folder, folder / f".{name}.lock"):
            outputs = OutputSet(folder, name)
            outputs.clear()
            for part in (one for place in parts for one in place.glob(_LEFT_BY_A_KILL)):
                with suppress(OSError):
                    part.unlink()
            try:
                yield outputs
            except AudioFileError as error:  # a staged file is called by the name it would have had
                hidden = f"{shown(outputs.staging)}{os.sep}"
                if hidden not in str(error):
                    raise
                raise AudioFileError(str(error).replace(hidden, f"{shown(folder)}{os.sep}")) from error
            finally:
                outputs.clear()
    finally:
        for one in made:
            with suppress(OSError):
                one.rmdir()


def clear_unfinished(folder: Path) -> None:
    """Bring to their end all sets of a folder that killed runs have left; those that are being written stay."""
    left = [*folder.glob(".*.lock"), *(one for one in folder.glob(".*.part") if one.is_dir())]
    for name in sorted({one.name[1 : -len(one.suffix)] for one in left}):
        # What is in the way, or cannot be cleared, is told to the job that wants to write there.
        with suppress(AudioFileError, RunningError, UsageError), output_set(folder, name):
            pass


def output_set_where(folder: Path | None, name: str) -> AbstractContextManager[OutputSet | None]:
    """`output_set` where a folder is named; else nothing is held."""
    return nullcontext(None) if folder is None else output_set(folder, name)


@contextmanager
def _locked(folder: Path, path: Path) -> Iterator[None]:
    """Hold a lock file, which goes with the process."""
    try:
        held = _taken(folder, path)
    except OSError as error:
        raise unwritable(folder, error) from error
    try:
        yield
    finally:
        with suppress(OSError):
            if fcntl is None:
                os.close(held)  # before: Windows deletes no file that is open
                path.unlink(missing_ok=True)
            else:
                path.unlink(missing_ok=True)  # before: another may take it the moment it is let go
                os.close(held)


def _taken(folder: Path, path: Path) -> int:
    """Descriptor of the lock file, held."""
    while True:
        if fcntl is None:  # Windows deletes no file that another process has open
            try:
                path.unlink(missing_ok=True)
            except PermissionError:
                raise _running(folder, path) from None
        held = os.open(path, os.O_RDWR | os.O_CREAT, 0o644)
        try:
            if fcntl is not None and not _held_by_the_system(held, path):
                raise _running(folder, path)
            # Whoever held it before has deleted it meanwhile: what is held then is no longer the file of that name.
            if not path.exists() or os.fstat(held).st_ino != path.stat().st_ino:
                os.close(held)
                continue
            before = _owner(path)
            if before and before["host"] != socket.gethostname():
                raise _running(folder, path)
            os.ftruncate(held, 0)
            since = datetime.now().astimezone().isoformat(sep=" ", timespec="seconds")[:19]
            owner = {"process": os.getpid(), "host": socket.gethostname(), "since": since}
            os.write(held, json.dumps(owner).encode())
            return held
        except BaseException:
            with suppress(OSError):
                os.close(held)
            raise


def _held_by_the_system(held: int, path: Path) -> bool:
    """Whether the system gives the lock to this process; where it has none to give, whether its owner is gone."""
    assert fcntl is not None
    try:
        fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:  # some shares know no locks
        before = _owner(path)
        return not before or before["host"] != socket.gethostname() or not _lives(before["process"])
    return True


def _lives(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return process != os.getpid()


def _owner(path: Path) -> dict[str, Any]:
    """What a lock file says of its process; empty where it says nothing yet."""
    try:
        owner = json.loads(path.read_bytes())
        return {"process": int(owner["process"]), "host": str(owner["host"]), "since": str(owner["since"])}
    except (OSError, ValueError, TypeError, KeyError):
        return {}


def _running(folder: Path, path: Path) -> RunningError:
    owner = _owner(path)
    where = shown(folder)
    if not owner:
        return RunningError(f"{where} is being written: another process has just started. Wait until it ends.")
    since = f"process {owner['process']}, since {owner['since']}"
    if owner["host"] == socket.gethostname():
        return RunningError(
            f"{where} is being written. Running, {since}. Wait until it ends, or choose another folder."
        )
    host = "".join(c if c.isprintable() else "?" for c in owner["host"])[:60]
    return RunningError(
        f"{where} is being written on another computer. Running on {host}, {since}. Wait until it ends; if it was "
        f"killed, delete {path.name} in that folder."
    )
