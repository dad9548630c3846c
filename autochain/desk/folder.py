"""The songs of a desk: mixes in folders, and what lies in the folder of results of each."""

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from autochain.album.tracks import is_folder, mixes_in
from autochain.errors import AudioFileError, UsageError
from autochain.given import name_shown

Stamp = tuple[int, int] | None
State = Literal["nothing yet", "sheet", "master", "delivered"]
RESULTS = "masters"  # the folder beside the mixes that takes what no other is named for


@dataclass(frozen=True, slots=True)
class SongFiles:
    """A mix, and where everything of its song lies."""

    path: Path
    out: Path

    @property
    def id(self) -> str:
        """What the page calls it: no name of a file has to go through an address."""
        return hashlib.sha256(str(self.path.absolute()).encode("utf-8", "surrogateescape")).hexdigest()[:12]

    @property
    def stem(self) -> str:
        """What the names of all results begin with."""
        return self.path.stem

    @property
    def name(self) -> str:
        """Base name of the mix, what is no text escaped."""
        return name_shown(self.path.name)

    @property
    def stamp(self) -> Stamp:
        """Size and time of the mix, which are others when it was written anew; None where it is gone."""
        try:
            seen = self.path.stat()
        except OSError:
            return None
        return seen.st_size, seen.st_mtime_ns

    @property
    def sheet(self) -> Path:
        """The suggestion's sheet, as `suggest` writes it."""
        return self.out / f"{self.stem}.sheet.json"

    @property
    def journal(self) -> Path:
        """What a stopped search has left."""
        return self.out / f"{self.stem}.journal.jsonl"

    @property
    def curve(self) -> Path:
        """The curve's figures, as `curve` writes them."""
        return self.out / f"{self.stem}.curve.json"

    @property
    def master(self) -> Path:
        """The 24-bit master, as `render` writes it."""
        return self.out / f"{self.stem}.master.wav"

    @property
    def choices(self) -> Path:
        """Blind choices of all songs, in one file, since it takes twenty to tell anything; `--taste` takes it."""
        return self.out / "choices.json"

    @property
    def delivery(self) -> Path:
        """What was delivered, as `render` writes it."""
        return self.out / f"{self.stem}.delivery.json"

    @property
    def delivered(self) -> Path:
        """The sheet that the files were made by that went out."""
        return self.out / f"{self.stem}.delivery.sheet.json"

    @property
    def versions(self) -> Path:
        """The folder of what was tried by hand and kept."""
        return self.out / f"{self.stem}.versions"

    @property
    def bounces(self) -> Path:
        """The folder of bounces that were dropped on the page."""
        return self.versions / "bounces"

    @property
    def references(self) -> Path:
        """The folder of references that were dropped on the page."""
        return self.versions / "references"

    @property
    def state(self) -> State:
        """How far the song is; an album's masters have the track's number in front."""
        if self.delivery.exists():
            return "delivered"
        if self.master.exists() or any(_album_masters(self.out, self.stem)):
            return "master"
        return "sheet" if self.sheet.exists() else "nothing yet"


def _album_masters(out: Path, stem: str) -> Iterator[Path]:
    """Files called as `album --masters` calls the master of a song."""
    ending = f"-{stem}.master.wav"
    try:
        named = [one for one in out.iterdir() if one.name.endswith(ending)]
    except OSError:
        return
    yield from (one for one in named if one.name.removesuffix(ending).isdecimal())


def songs_in(sources: Sequence[Path], out: Path) -> tuple[SongFiles, ...]:
    """Songs of files and folders, in their order; folders may be empty, and what is a result is no song.

    Raises
    ------
    UsageError, AudioFileError
        A folder that cannot be read, a list that cannot hold.
    """
    found = dict[Path, SongFiles]()
    for source in sources:
        try:
            mixes = mixes_in([source])
        except UsageError:
            if not is_folder(source):
                raise
            continue
        for path in mixes:
            if not (is_folder(source) and _is_result(path, out)):
                found.setdefault(path.resolve(), SongFiles(path, out))
    return tuple(found.values())


def _is_result(path: Path, out: Path) -> bool:
    """Whether a file in a folder of mixes, which takes the results as well, is one of them."""
    kinds = {"master", "preview"}
    return path.parent.resolve() == out.resolve() and bool(kinds & set(path.name.split(".")[1:-1]))


def folder_of_mixes(sources: Sequence[Path]) -> Path:
    """Where mixes go that are dropped on the page: the first folder, or the one of the first mix."""
    folder = next((one for one in sources if is_folder(one)), None)
    return sources[0].absolute().parent if folder is None else folder


def refuse_missing(sources: Sequence[Path]) -> None:
    """AudioFileError where a source is not there."""
    for one in sources:
        if not one.exists():
            raise AudioFileError(f"{one} does not exist; check the name, or make the folder first.")
