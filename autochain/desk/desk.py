"""The desk: its songs, the one that is open, its work, and what is told to the pages."""

import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

from autochain.audio.output_set import clear_unfinished, output_set
from autochain.check.checked import Checked
from autochain.config import read_config
from autochain.desk.album import AlbumOnDesk
from autochain.desk.bounces import same_file
from autochain.desk.checks import KeptChecks
from autochain.desk.events import EVERYWHERE, Events, Message
from autochain.desk.folder import SongFiles, Stamp, folder_of_mixes, refuse_missing, songs_in
from autochain.desk.open_song import OpenSong
from autochain.desk.song_view import PARTS, TOUCHED
from autochain.desk.uploads import clear_old
from autochain.desk.work import DeskJob, WorkQueue
from autochain.errors import AutochainError, UsageError
from autochain.progress import Progress, Stop

SONGS = "songs"  # the one part of the songs page
VERSIONS = "versions"  # the list of what can be heard, told like a part of a song's page
_CHECK = "check"
_END_S = 1.0  # how long work that is under way is waited for at the end
# Parts of a song's page that follow what the open song says has changed; a part may be named itself.
_FOLLOW: Mapping[str, tuple[str, ...]] = {
    "versions": (VERSIONS, "costs", "kept", "bounces"),
    "hand": ("head", "chain", "costs"),
    "costs": ("head", "chain", "costs", "time"),
    "measured": PARTS,
    "curve": ("loud",),
    "compared": ("bounces",),
    "delivered": ("head", "out"),
    "said": (),
}


def in_one_line(said: object) -> str:
    """What a page has one line for."""
    return " ".join(str(said).split("\n"))


class NotOpenError(UsageError):
    """A page of a song that is no longer the open one asks for something."""


class Desk:
    """Everything that the pages show and do; `desk_on` makes one.

    Parameters
    ----------
    sources
        Mixes and folders of mixes.
    out
        Folder of all results.
    plan
        A configuration over the packaged one.
    first
        Done before any other long work; it says itself what it is, where there is anything to be done.
    """

    def __init__(
        self,
        sources: Sequence[Path],
        out: Path,
        plan: Path | None = None,
        first: Callable[[Progress], None] | None = None,
    ) -> None:
        self.sources, self.out, self.plan = sources, out, plan
        self._checks = KeptChecks(out, read_config(plan))
        self.events = Events()
        self._did: tuple[int | None, str] = (None, "")
        self.work = WorkQueue(self._worked, self.said)
        self.checked: dict[str, Checked] = {}
        self.errors: dict[str, str] = {}
        self.songs: tuple[SongFiles, ...] = ()
        self._stamps: dict[str, Stamp] = {}
        self.album = AlbumOnDesk(lambda: self.songs, out, plan)
        self.album_overview = ""  # of the last run, as HTML
        self._lock = threading.Lock()
        self._closed = False
        self._open: OpenSong | None = None
        self._open_stamp: Stamp = None
        if first is not None:
            self.work.submit(DeskJob(words="", song="", kind="first", run=lambda progress, stop: first(progress)))
        self.look()
        self._checks.forget_others(self.songs)
        clear_old(folder_of_mixes(sources))

    def look(self) -> None:
        """Look for mixes that are new, written anew or gone; those that there is no verdict on are checked."""
        with self._lock:
            found = songs_in(self.sources, self.out)
            stamps = {song.id: song.stamp for song in found}
            new = [song for song in found if self._stamps.get(song.id) != stamps[song.id]]
            gone = self._stamps.keys() - stamps.keys()
            self.songs, self._stamps = found, stamps
            for one in (*gone, *(song.id for song in new)):
                self.checked.pop(one, None)
                self.errors.pop(one, None)
            names = [song.stem for song in found]
            for song in new:
                if names.index(song.stem) < found.index(song):  # both would write the same files
                    self.errors[song.id] = (
                        f"{song.name}: another mix is called {song.stem}, too. Give one another name."
                    )
        for song in new:
            if song.id not in self.errors:
                words = f"checking {song.name}"
                job = DeskJob(words=words, song=song.id, run=self._check(song), kind=_CHECK, background=True)
                self.work.submit(job)
        if new or gone:
            self.events.changed(None, (SONGS,))

    def song(self, song_id: str) -> SongFiles:
        """The song of that identifier; UsageError where there is none."""
        for song in self.songs:
            if song.id == song_id:
                return song
        raise UsageError("there is no such song on this desk. Go back to the songs.")

    def opened(self, song_id: str) -> OpenSong:
        """Open a song, or the song anew where its mix was written anew; another that was open is closed."""
        files = self.song(song_id)
        if song_id in self.errors and song_id not in self.checked:
            raise UsageError(self.errors[song_id])
        with self._lock:
            song = self._open
            if song is None or song.files != files or self._open_stamp != files.stamp:
                self._open, self._open_stamp = None, files.stamp
                if song is not None:
                    song.close()
                if song is not None and song.files != files:
                    self.said(song.files.id, "Another song was opened. Load the page again to go on here.")
                song = None  # its memory goes before the next one comes
                song = self._open = OpenSong(files, self._told_by(files.id), plan=self.plan)
        self.work.first(_CHECK, song_id)
        if song.measured is None:
            # Beside what is searched for another song; then the meters and the picture of this one.
            for job in (song.measure_job(), song.verify_job()):
                self.work.submit(replace(job, short=True))
        return song

    def now_open(self, song_id: str) -> OpenSong:
        """The song where it is the open one; NotOpenError where it is not."""
        song = self._open
        if song is None or song.files.id != song_id:
            self.song(song_id)
            raise NotOpenError("another song is open now. Load the page again.")
        return song

    def touched(self, song: OpenSong, action: str) -> None:
        """Show what an action has changed on the pages of a song."""
        self.events.changed(song.files.id, (*TOUCHED.get(action, ()), VERSIONS))

    def bounced(self, song: OpenSong, path: Path) -> str | None:
        """A bounce lies in the song's folder now; one that lay there before is kept once, which is said."""
        with self._lock:  # of two that come at once one stays
            earlier = same_file(path)
            if earlier is not None:
                path.unlink()
        self.work.submit(song.bounce_job(earlier or path))
        return None if earlier is None else f"This file is here already, as {earlier.name}. It is kept once."

    def referred(self, song: OpenSong, path: Path) -> None:
        """A reference lies in the song's folder now: the next search looks at it."""
        song.reference(path.name, True)
        self.touched(song, "reference")

    def work_now(self) -> Message:
        """What is being done, as pages are told."""
        doing = self.work.doing().plain()
        names = {song.id: song.name for song in self.songs}
        for job in (doing, *doing["waiting"]):
            job["name"] = names.get(job["song"], "")
        return {"kind": "work", **doing}

    def said(self, song: str, words: str) -> None:
        """Tell one line."""
        self.events.publish(song or EVERYWHERE, {"kind": "said", "song": song or None, "words": in_one_line(words)})

    def close(self) -> None:
        """End all work, and let the pages go; a second time is nothing more."""
        if self._closed:
            return
        self._closed = True
        self.events.close()
        self.work.close(_END_S)
        song, self._open = self._open, None
        if song is not None:
            song.close()

    def _told_by(self, song_id: str) -> Callable[[str], None]:
        """Give what the open song calls when something of it has changed."""

        def changed(what: str) -> None:
            song = self._open
            if what == "said" and song is not None and song.files.id == song_id and song.told:
                self.said(song_id, song.told[-1])
            self.events.changed(song_id, _FOLLOW.get(what, (what,)))

        return changed

    def _worked(self) -> None:
        now = self.work.doing()
        before, self._did = self._did, (now.job, now.song)
        if before[0] != now.job:  # pages of songs say what is being done for them
            for song in {before[1], now.song} - {""}:
                self.events.changed(song, ("head",))
        self.events.publish(EVERYWHERE, self.work_now())

    def _check(self, song: SongFiles) -> Callable[[Progress, Stop], None]:
        def run(progress: Progress, stop: Stop) -> None:
            try:
                self.checked[song.id] = self._checks.of(song)
                self.errors.pop(song.id, None)
            except AutochainError as error:
                self.errors[song.id] = in_one_line(error)
            self.events.changed(None, (SONGS,))

        return run


@contextmanager
def desk_on(
    sources: Sequence[Path], out: Path, plan: Path | None = None, first: Callable[[Progress], None] | None = None
) -> Iterator[Desk]:
    """A desk over mixes and folders of mixes; no second one writes into its folder of results. See `Desk`.

    Raises
    ------
    AudioFileError
        A source that is not there, a folder that cannot be read or written.
    RunningError
        While another desk is on that folder.
    UsageError, ConfigError
        A list of mixes or a configuration that cannot hold.
    """
    refuse_missing(sources)
    # In the folders of versions a desk alone writes; where the hand stands is written all the time.
    with output_set(out, "desk", parts=out.glob("*.versions")):
        clear_unfinished(out)  # a song whose files are all there is delivered no second time, which would clear it
        desk = Desk(sources, out, plan, first)
        try:
            yield desk
        finally:
            desk.close()
