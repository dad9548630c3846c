"""The desk: its songs, the one that is open, its work, and what is told to the pages."""

import threading
from collections.abc import Callable, Sequence
from pathlib import Path

from autochain.check.checked import Checked
from autochain.config import read_config
from autochain.desk.album import AlbumOnDesk
from autochain.desk.events import Events
from autochain.desk.folder import SongFiles, songs_in
from autochain.desk.open_song import OpenSong
from autochain.desk.work import Doing, Job, Work
from autochain.errors import AutochainError, UsageError
from autochain.progress import Progress, Stop
from autochain.tasks.check import check_mix


class Desk:
    """Everything that the pages show and do.

    Parameters
    ----------
    sources
        Mixes and folders of mixes.
    out
        Folder of all results.
    """

    def __init__(self, sources: Sequence[Path], out: Path) -> None:
        self.sources, self.out = sources, out
        self.events = Events()
        self.work = Work(self._doing, self.said)
        self.checked: dict[str, Checked] = {}
        self.errors: dict[str, str] = {}
        self._lock = threading.Lock()
        self._open: OpenSong | None = None
        self.songs = songs_in(sources, out)
        self.album = AlbumOnDesk(lambda: self.songs, out)
        self.album_overview = ""  # of the last run, as HTML
        for song in self.songs:
            self.work.submit(Job(words=f"checking {song.path.name}", song=song.id, run=self._check(song), kind="check"))

    def song(self, song_id: str) -> SongFiles:
        """The song of that identifier; UsageError where there is none."""
        for song in self.songs:
            if song.id == song_id:
                return song
        raise UsageError("there is no such song on this desk. Go back to the songs.")

    def opened(self, song_id: str) -> OpenSong:
        """The song, open; another that was open is closed."""
        files = self.song(song_id)
        with self._lock:
            if self._open is None or self._open.files != files:
                self._open = None
                self._open = OpenSong(files)
            return self._open

    def said(self, song: str, words: str) -> None:
        """Tell one line."""
        self.events.tell("said", song=song, words=words)

    def close(self) -> None:
        """End all work, and let the pages go."""
        self.work.close()
        self.events.close()

    def _doing(self, doing: Doing) -> None:
        self.events.tell(
            "work", words=doing.words, song=doing.song, share=round(doing.share, 3), waiting=doing.waiting
        )

    def _check(self, song: SongFiles) -> Callable[[Progress, Stop], None]:
        def run(progress: Progress, stop: Stop) -> None:
            try:
                self.checked[song.id] = check_mix(song.path, read_config(), song.path.name)
            except AutochainError as error:
                self.errors[song.id] = str(error)

        return run
