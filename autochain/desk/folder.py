"""The songs of a desk: mixes in folders, and what lies in the folder of results of each."""

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from autochain.album.tracks import mixes_in

State = Literal["nothing yet", "sheet", "delivered"]
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
    def sheet(self) -> Path:
        """The suggestion's sheet, as `suggest` writes it."""
        return self.out / f"{self.stem}.sheet.json"

    @property
    def versions(self) -> Path:
        """The folder of what was tried by hand and kept."""
        return self.out / f"{self.stem}.versions"

    @property
    def delivery(self) -> Path:
        """What was delivered, as `render` writes it."""
        return self.out / f"{self.stem}.delivery.json"

    @property
    def state(self) -> State:
        """How far the song is."""
        if self.delivery.exists():
            return "delivered"
        return "sheet" if self.sheet.exists() else "nothing yet"


def songs_in(sources: Sequence[Path], out: Path) -> tuple[SongFiles, ...]:
    """Songs of files and folders, in their order.

    Raises
    ------
    UsageError, AudioFileError
        Nothing to work on, a folder that cannot be read.
    """
    return tuple(SongFiles(path, out) for path in mixes_in(sources))
