"""Trials on disk as they finish, so that a run that was stopped goes on where it was.

Nothing of a sampler is stored. A search is a function of its request, so going on means running it again from the
start, with every trial that the journal holds taken from there instead of rendered: samplers are asked and told
as before, in an instant, and end in the very state they had. The result is the one of an uninterrupted run.

One JSON object a line: the request first, then one per trial with the number in the order asked. Lines are appended
in the order trials finish; a last line cut off by a power failure is left out.
"""

import json
import threading
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import Any, Self, TextIO

from pydantic import TypeAdapter, ValidationError

from autochain.errors import JournalError
from autochain.search.evaluator import Trial

_VERSION = 1
_TRIAL: TypeAdapter[Trial] = TypeAdapter(Trial)

_Request = Mapping[str, Any]


class Journal:
    """The trials of one request on disk; a context manager that closes the file.

    Parameters
    ----------
    path
        Where it lies; its folder exists.
    request
        Everything that the trials depend on, as plain JSON values.
    resume
        Take the trials that an earlier run of the same request has left; without one this starts anew.

    Raises
    ------
    JournalError
        The file cannot be read or written, is no journal, or belongs to another request.
    """

    def __init__(self, path: Path, request: _Request, *, resume: bool) -> None:
        self._path = path
        self._request: dict[str, Any] = json.loads(json.dumps(request))
        self._known: dict[int, Trial] = {}
        self._lock = threading.Lock()
        self._file: TextIO | None
        try:
            kept = self._read() if resume and path.exists() else 0
            self.resumed = len(self._known)
            self._file = path.open("r+" if kept else "w", encoding="utf-8", newline="\n")
            if kept:
                self._file.truncate(kept)  # a line cut off in the middle would spoil the next
                self._file.seek(0, 2)
            else:
                self._write({"journal": _VERSION, "request": self._request})
        except OSError as error:
            raise JournalError(f"{path} cannot be used ({error.strerror}). Choose another folder.") from error

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def find(self, number: int) -> Trial | None:
        """Return a trial by its number in the order asked; None when it has to be evaluated."""
        return self._known.get(number)

    def add(self, number: int, trial: Trial) -> None:
        """Append a trial; safe from several threads. Nothing happens once the journal is closed."""
        with self._lock:
            if self._file is not None:
                self._write({"trial": number, **_TRIAL.dump_python(trial, mode="json")})

    def close(self) -> None:
        """Close the file; what has been written stays."""
        with self._lock:
            if self._file is not None:
                self._file.close()
                self._file = None

    def remove(self) -> None:
        """Close and delete: the search came to its end, so there is nothing to go on with."""
        self.close()
        self._path.unlink(missing_ok=True)

    def _write(self, line: Mapping[str, Any]) -> None:
        assert self._file is not None
        # Python writes the shortest text that reads back as the same float.
        text = json.dumps(line, separators=(",", ":")) + "\n"
        try:
            self._file.write(text)
            self._file.flush()
        except OSError as error:
            with suppress(OSError):  # it tries once more to write what is left
                self._file.close()
            self._file = None
            raise JournalError(
                f"{self._path} cannot be written ({error.strerror}); what was done before is kept. Make space and give "
                f"the same command with --resume, or choose another folder."
            ) from error

    def _read(self) -> int:
        """Read what an earlier run has left; returns the bytes of whole lines."""
        data = self._path.read_bytes()
        whole = data[: data.rfind(b"\n") + 1]
        if not whole:
            return 0  # killed before the first line was out
        try:
            lines = [json.loads(line) for line in whole.splitlines()]
            version, request = lines[0]["journal"], lines[0]["request"]
            if version == _VERSION:
                for line in lines[1:]:
                    self._known[line.pop("trial")] = _TRIAL.validate_python(line)
        except (ValueError, KeyError, TypeError, AttributeError, ValidationError) as error:
            raise JournalError(
                f"{self._path} is not a journal that can be gone on with. Start anew with --force, without --resume."
            ) from error
        if version != _VERSION or request != self._request:
            raise JournalError(
                f"{self._path} is of another run ({self._difference(version, request)}). Ask for the same again, "
                f"or start anew with --force, without --resume."
            )
        return len(whole)

    def _difference(self, version: object, request: Mapping[str, Any]) -> str:
        """First thing in which two requests differ, in words."""
        if version != _VERSION:
            return f"its format is {version}, not {_VERSION}"
        for name, wanted in self._request.items():
            had = request.get(name)
            if had != wanted:
                return f"{name.replace('_', ' ')} was {_short(had)}, is now {_short(wanted)}"
        return "it asks for more"


def _short(value: object) -> str:
    text = value if isinstance(value, str) else json.dumps(value)
    return text if len(text) <= 60 else f"{text[:57]}..."
