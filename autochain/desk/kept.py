"""Versions that were kept under a name: whole sheets in a folder, as `render`, `compare` and `--around` take them."""

import hashlib
import unicodedata
from dataclasses import dataclass
from pathlib import Path

from autochain.audio.files import replace_file, unwritable, write_text
from autochain.desk.sheet_figures import SheetVersion, sheet_version
from autochain.errors import AutochainError, SheetError, UsageError, steers
from autochain.given import quoted
from autochain.sheet import Sheet, to_json

_ENDING = ".sheet.json"
_LONGEST_BYTES = 120  # in UTF-8; file systems take 255, and a name has an ending
# What some file system or shell reads another way than it is meant.
_NOT_IN_NAMES = frozenset('/\\:*?"<>|')
_DEVICES = frozenset({"con", "prn", "aux", "nul", *(f"{port}{k}" for port in ("com", "lpt") for k in range(1, 10))})


def file_name(name: object) -> str:
    """A name as a file can have it: characters that lead elsewhere become hyphens; UsageError where nothing is left.

    Any script is kept, in composed form, so that one name is one file on every system.
    """
    if not isinstance(name, str):
        raise UsageError(f"{quoted(name)} is no name. Write a few words.")
    text = unicodedata.normalize("NFC", name)
    text = "".join("-" if c in _NOT_IN_NAMES else " " if steers(c) else c for c in text)
    text = " ".join(text.split()).strip(" .")
    while len(text.encode()) > _LONGEST_BYTES:
        text = text[:-1].rstrip(" .")
    if not text.strip("-"):
        raise UsageError(f"{quoted(name)} has nothing that a file can be called by. Write a few words.")
    return f"{text}-" if text.split(".")[0].lower() in _DEVICES else text


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class KeptVersion:
    """A kept version: its name, its file, what the sheet says."""

    name: str
    path: Path
    version: SheetVersion

    @property
    def key(self) -> str:
        """What a page asks for it by: no name of a file has to go through an address."""
        return key_of(self.name)


def key_of(name: str) -> str:
    """What a page asks for a kept version by."""
    return f"kept.{hashlib.sha256(name.encode()).hexdigest()[:12]}"


class Kept:
    """The kept versions of one song.

    Parameters
    ----------
    folder
        Where they lie; made with the first.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def all(self) -> tuple[list[KeptVersion], list[str]]:
        """All that can be read, by name; and a line for each that cannot."""
        found, refused = [], []
        for path in sorted(self._folder.glob(f"*{_ENDING}")) if self._folder.is_dir() else []:
            try:
                found.append(KeptVersion(name=path.name[: -len(_ENDING)], path=path, version=sheet_version(path)))
            except AutochainError as error:
                refused.append(str(error).split("\n")[0])
        return found, refused

    def path_of(self, name: object) -> Path:
        """File of a version of that name."""
        return self._folder / f"{file_name(name)}{_ENDING}"

    def refuse_taken(self, name: object) -> None:
        """UsageError where a version has that name, however it is written."""
        wanted = file_name(name)
        taken = next((one.name for one in self.all()[0] if one.name.casefold() == wanted.casefold()), None)
        if taken is None and self.path_of(name).exists():
            taken = wanted
        if taken is not None:
            raise UsageError(f"a version called {quoted(taken)} is kept already. Choose another name, or drop it.")

    def keep(self, name: object, sheet: Sheet, *, instead: bool = False) -> KeptVersion:
        """Write a sheet under a name.

        Raises
        ------
        UsageError
            No name, or one that is taken while `instead` is off.
        AudioFileError
            A folder that cannot be written.
        """
        if not instead:
            self.refuse_taken(name)
        path = self.path_of(name)
        write_text(path, to_json(sheet), force=instead)
        return KeptVersion(name=file_name(name), path=path, version=sheet_version(path))

    def keep_bytes(self, name: str, data: bytes) -> None:
        """Write the bytes of a sheet under a name, or under the next free one of its kind."""
        number, wanted = 1, name
        while self.path_of(wanted).exists():
            number += 1
            wanted = f"{name} {number}"
        path = self.path_of(wanted)
        replace_file(path, lambda temporary: temporary.write_bytes(data), force=False, sources=())

    def rename(self, old: str, new: object) -> str:
        """Give a version another name, which is returned as it came out."""
        name, path = file_name(new), self._there(old)
        if name.casefold() != old.casefold():
            self.refuse_taken(new)
        try:
            path.rename(self.path_of(new))
        except OSError as error:
            raise unwritable(path, error) from error
        return name

    def drop(self, name: str) -> None:
        """Delete a version."""
        path = self._there(name)
        try:
            path.unlink()
        except OSError as error:
            raise unwritable(path, error) from error

    def _there(self, name: str) -> Path:
        path = self.path_of(name)
        if not path.is_file():
            raise SheetError(f"there is no kept version called {quoted(name)}. Load the page again.")
        return path
