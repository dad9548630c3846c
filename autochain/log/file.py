"""The log file: where it is; lines are added whole, and read as far as they can be."""

import errno
import json
import os
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from autochain.audio.blocks import shown
from autochain.errors import AutochainError
from autochain.log.entry import VERSION

_START = b'{"format_version":'  # of every line: nothing is added to a file that is something else


def log_path() -> Path:
    """`XDG_DATA_HOME` where it is set (XDG Base Directory Specification 0.8), else the system's own folder.

    Linux: ~/.local/share; macOS: ~/Library/Application Support; Windows: %LOCALAPPDATA%.
    """
    return _data_home() / "autochain" / "log.jsonl"


def _data_home() -> Path:
    given = os.environ.get("XDG_DATA_HOME", "")
    if given and Path(given).is_absolute():  # a relative one is to be ignored, as the specification says
        return Path(given)
    home = Path.home()
    if sys.platform == "darwin":
        return home / "Library" / "Application Support"
    if sys.platform == "win32":
        local = os.environ.get("LOCALAPPDATA", "")
        return Path(local) if local else home / "AppData" / "Local"
    return home / ".local" / "share"


def refuse_unusable(path: Path) -> None:
    """Refuse a file that `append` would refuse, before there is anything to add; AutochainError in one line."""
    try:
        if path.exists():
            with path.open("rb+") as file:
                head = file.read(len(_START))
            if head not in (b"", _START):
                raise _no_log(path)
        there = next(one for one in path.absolute().parents if one.exists())
        if not os.access(there, os.W_OK | os.X_OK):
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))
        if not there.is_dir():
            raise NotADirectoryError(errno.ENOTDIR, os.strerror(errno.ENOTDIR))
    except OSError as error:
        raise _unwritten(path, error) from error


def append(path: Path, entry: Mapping[str, Any]) -> None:
    """Add one entry in a single write to the end of the file, so that two programs at once do not mix lines.

    Raises
    ------
    AutochainError
        When the file cannot be written; one line. No command should fail for it.
    """
    line = json.dumps(entry, allow_nan=False, separators=(",", ":")).encode("ascii") + b"\n"
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        file = os.open(path, os.O_RDWR | os.O_APPEND | os.O_CREAT | getattr(os, "O_BINARY", 0), 0o600)
        try:
            if os.fstat(file).st_size:
                if os.read(file, len(_START)) != _START:
                    raise _no_log(path)
                # A line that broke off must not take this one with it.
                os.lseek(file, -1, os.SEEK_END)
                line = line if os.read(file, 1) == b"\n" else b"\n" + line
            os.write(file, line)
        finally:
            os.close(file)
    except OSError as error:
        raise _unwritten(path, error) from error


def _no_log(path: Path) -> AutochainError:
    return AutochainError(
        f"{shown(path)} is no log of this program and is left as it is; the result stands without it. "
        "Name another file by --log, or use --no-log."
    )


def _unwritten(path: Path, error: OSError) -> AutochainError:
    reason = error.strerror or "unknown reason"
    return AutochainError(
        f"the log {shown(path)} cannot be written ({reason}); the result stands without it. "
        "Use --log FILE or --no-log."
    )


def read(path: Path) -> tuple[list[dict[str, Any]], int]:
    """All entries in order, and how many lines were left out because they cannot be read.

    A file that does not exist has no entries.

    Raises
    ------
    AutochainError
        When it exists and cannot be opened.
    """
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        return [], 0
    except OSError as error:
        raise AutochainError(
            f"the log {shown(path)} cannot be read ({error.strerror}); check its permissions or name another by --log."
        ) from error
    entries, broken = [], 0
    for line in data.splitlines():
        if not line.strip():
            continue
        try:
            entry = json.loads(line)
            usable = isinstance(entry, dict) and entry["format_version"] == VERSION and _whole(entry)
        except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
            usable = False
        if usable:
            entries.append(entry)
        else:
            broken += 1
    return entries, broken


def _whole(entry: dict[str, Any]) -> bool:
    """Whether an entry has what a history asks of it, in the right kinds; a hand may have been at the file."""
    names = [entry["time"], entry["command"], entry["mix"]["file"], entry["mix"]["sha256"]]
    if entry["master"] is not None:
        names += [entry["master"]["file"], entry["master"]["sha256"]]
    numbers = [v for key in ("before", "after", "thirds_db", "change") for v in entry[key].values() if v is not None]
    [float(name) for name in entry["thirds_db"]]
    if not all(isinstance(entry.get(ended), bool | None) for ended in ("complete", "met")):
        return False
    return all(isinstance(n, str) for n in names) and all(
        isinstance(v, int | float) and not isinstance(v, bool) and abs(v) < 1e6 for v in numbers
    )
