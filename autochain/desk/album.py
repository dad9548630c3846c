"""The album on the desk: its order and levels, kept as a list that `album` takes, and what comes between two songs.

The list is `album.toml` in the folder of results, what is wanted of the whole `album.wish.json` beside it. Tracks,
sheets, masters and the overview are the ones of the command: `autochain album masters/album.toml -o masters --masters
--resume` goes on with what the desk has done.
"""

import json
import os
from collections.abc import Callable, Sequence
from contextlib import nullcontext
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

import numpy as np
import soundfile
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from autochain.album.list_file import Entry, list_text, read_list
from autochain.album.masters import master_names
from autochain.album.tracks import Track, find_tracks
from autochain.audio.files import write_text
from autochain.audio.mix import Samples
from autochain.audio.resample import resampled
from autochain.desk.folder import SongFiles
from autochain.errors import UsageError
from autochain.progress import Progress
from autochain.tasks.album import AlbumRequest, Gathered
from autochain.tasks.album import album as run_album
from autochain.tasks.caller import Caller

LIST, WISH = "album.toml", "album.wish.json"
END_S = 10.0  # of each song that is heard across a gap


class AlbumWish(BaseModel):
    """What is wanted of the whole.

    `levels` is one of `album.levels.POLICIES`; `lufs` is of the loudest track; `same_settings` is how much score a
    track may lose for the settings that all share, None leaves each its own.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, strict=True)

    levels: Literal["same", "relations", "offsets"] = "same"
    lufs: Annotated[float, Field(ge=-40.0, le=0.0)] = -9.0
    ceiling_dbtp: Annotated[float, Field(ge=-20.0, le=0.0)] = -1.0
    same_settings: Annotated[float, Field(ge=0.0, le=1000.0)] | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Gap:
    """The end of one song, the silence between, and the beginning of the next, as they will play.

    Attributes
    ----------
    samples
        float32 of shape (frames, channels).
    rate_hz
        Of the first of the two.
    seam_s
        Where the next song's file begins.
    """

    samples: Samples
    rate_hz: int
    seam_s: float


class AlbumOnDesk:
    """Order, levels and masters of all songs.

    Parameters
    ----------
    songs
        Gives the songs of the desk.
    out
        Folder of all results.
    plan
        A configuration over the packaged one.
    """

    def __init__(self, songs: Callable[[], Sequence[SongFiles]], out: Path, plan: Path | None = None) -> None:
        self._songs, self.out, self._plan = songs, out, plan

    @property
    def entries(self) -> tuple[Entry, ...]:
        """Songs in album order: as listed, those that are gone left out, new ones last.

        Raises
        ------
        ConfigError
            A list that somebody has written and that cannot be read.
        """
        listed = read_list(self.out / LIST) if (self.out / LIST).exists() else []
        there = {os.path.realpath(song.path): song.path for song in self._songs()}
        kept = [entry for entry in listed if self.real_path(entry) in there]
        known = {self.real_path(entry) for entry in kept}
        kept += [Entry(file=str(path.absolute())) for real, path in there.items() if real not in known]
        if kept and kept[-1].runs_into_next:
            kept[-1] = kept[-1].model_copy(update={"runs_into_next": False})
        return tuple(kept)

    def real_path(self, entry: Entry) -> str:
        """Where the song's mix lies."""
        return os.path.realpath(self.out / entry.file)

    @staticmethod
    def stem(entry: Entry) -> str:
        """What the song is called where it has no title."""
        return Path(entry.file).stem

    def has_masters(self, place: int) -> bool:
        """Whether a song (counted from 0) and the next both have a master."""
        names = self._master_names()
        return place + 1 < len(names) and all((self.out / name).exists() for name in names[place : place + 2])

    def _master_names(self) -> list[str]:
        return [name for track in self.tracks for name in master_names(track)[:-1]]

    @property
    def wish(self) -> AlbumWish:
        """What is wanted of the whole; the defaults where nothing was said, or nothing that can be read."""
        try:
            return AlbumWish.model_validate_json((self.out / WISH).read_bytes())
        except (OSError, ValidationError):
            return AlbumWish()

    @property
    def tracks(self) -> list[Track]:
        """Tracks in order, with the names that their files have."""
        return find_tracks([self.out / LIST]) if (self.out / LIST).exists() else []

    def ordered(self, files: Sequence[str]) -> None:
        """Put the songs in another order; UsageError unless it names each once."""
        by_file = {entry.file: entry for entry in self.entries}
        if sorted(files) != sorted(by_file):
            raise UsageError("The order does not name every song once. Load the page again.")
        # What ran into its neighbour has another one now.
        moved = [by_file[file].model_copy(update={"runs_into_next": False}) for file in files]
        self._write(moved if tuple(by_file) != tuple(files) else list(by_file.values()))

    def changed(self, file: str, **values: object) -> None:
        """Set title, offset or whether it runs into the next of one song; UsageError for what cannot be."""
        entries = list(self.entries)
        place = next((k for k, entry in enumerate(entries) if entry.file == file), None)
        if place is None:
            raise UsageError("There is no such song in the album. Load the page again.")
        if place == len(entries) - 1 and values.get("runs_into_next"):
            raise UsageError("The last song runs into none.")
        try:
            entries[place] = Entry.model_validate({**entries[place].model_dump(), **values})
        except ValidationError as error:
            first = error.errors()[0]
            raise UsageError(f"{first['loc'][0]}: {first['msg'].removeprefix('Value error, ')}.") from None
        self._write(entries)

    def wished(self, **values: object) -> None:
        """Set what is wanted of the whole; UsageError for what cannot be."""
        try:
            wish = AlbumWish.model_validate({**self.wish.model_dump(), **values})
        except ValidationError as error:
            first = error.errors()[0]
            raise UsageError(f"{first['loc'][0]}: {first['msg'].removeprefix('Value error, ')}.") from None
        write_text(self.out / WISH, wish.model_dump_json(indent=2) + "\n", True)

    def _write(self, entries: Sequence[Entry]) -> None:
        write_text(self.out / LIST, list_text(entries), True)

    def master(self, tell: Callable[[str], None], progress: Progress) -> Gathered:
        """Find settings for every song, and render their masters; what is done already stays, also after a stop.

        Raises
        ------
        AutochainError
            As `tasks.album.album`.
        """
        self._write(self.entries)
        wish = self.wish
        request = AlbumRequest(
            sources=[self.out / LIST],
            out=self.out,
            levels=wish.levels,
            lufs=wish.lufs,
            ceiling_dbtp=wish.ceiling_dbtp,
            same_settings=wish.same_settings,
            config=self._plan,
            masters=True,
            resume=True,
            jobs=1,  # in this process, where it can be told to wait while a knob is turned
        )
        return run_album(request, Caller(tell=tell, watch=lambda: nullcontext(progress)))

    def heard_across(self, place: int) -> Gap:
        """What comes between one song (counted from 0) and the next.

        Raises
        ------
        UsageError
            There is no next one, or one of the two has no master yet.
        """
        names = self._master_names()
        if not 0 <= place < len(names) - 1:
            raise UsageError("There is no next song. Load the page again.")
        before, rate_hz = _end(self.out / names[place], last=True)
        after, own_hz = _end(self.out / names[place + 1], last=False)
        if own_hz != rate_hz:
            after = resampled(after, own_hz, rate_hz)
        channels = max(before.shape[1], after.shape[1])
        both = [np.repeat(one, channels // one.shape[1], axis=1) for one in (before, after)]
        return Gap(samples=np.concatenate(both), rate_hz=rate_hz, seam_s=len(before) / rate_hz)

    def overview(self) -> dict[str, object] | None:
        """The command's `album.json`; None where there is none yet."""
        try:
            read = json.loads((self.out / "album.json").read_bytes())
        except (OSError, ValueError):
            return None
        return read if isinstance(read, dict) else None


def _end(path: Path, *, last: bool) -> tuple[Samples, int]:
    """The last or the first seconds of a master."""
    try:
        with soundfile.SoundFile(path) as file:
            frames = min(file.frames, round(END_S * file.samplerate))
            file.seek(file.frames - frames if last else 0)
            return file.read(frames, dtype="float32", always_2d=True), int(file.samplerate)
    except (OSError, soundfile.LibsndfileError):
        raise UsageError(f"{path.name} is not there yet. Find the album's settings first.") from None
