"""Which songs make the album, and in what order: files, folders by name, or a list in TOML.

Songs that run into each other are one track here: joined, they are given one gain and one setting, and only the files
of their masters are apart.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path

from autochain.album.list_file import Entry, read_list
from autochain.audio.blocks import shown
from autochain.errors import AudioFileError, ConfigError, UsageError

# What a folder is searched for; a file that is named may have any ending.
_ENDINGS = (".wav", ".flac", ".aif", ".aiff", ".ogg", ".mp3")


@dataclass(frozen=True, slots=True, kw_only=True)
class Song:
    """One mix of the album; `stem` begins the name of its master."""

    path: Path
    title: str
    stem: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Track:
    """A song, or several that run into each other; `offset_lu` is its place against the others, 0 unless listed."""

    songs: tuple[Song, ...]
    offset_lu: float = 0.0

    @property
    def paths(self) -> tuple[Path, ...]:
        """Files of its mixes, in order."""
        return tuple(song.path for song in self.songs)

    @property
    def title(self) -> str:
        """Titles of its songs."""
        return " / ".join(song.title for song in self.songs)

    @property
    def stem(self) -> str:
        """What the names of its sheets begin with."""
        return self.songs[0].stem


def find_tracks(sources: Sequence[Path]) -> list[Track]:
    """Tracks in album order.

    Parameters
    ----------
    sources
        Files in the order given, folders (their sound files by name) and lists in TOML whose `[[track]]` tables hold
        `file` (beside the list, or whole), and perhaps `title`, `offset_lu`, -40 to 40 LU, and `runs_into_next`.

    Raises
    ------
    UsageError
        Where a source holds nothing or a file is named twice.
    ConfigError
        For a list that cannot be read; every problem with its address. Also where the last song of a list runs into
        the next, and where songs that run into each other have different offsets.
    """
    found = [listed for source in sources for listed in _listed(source)]
    seen: set[Path] = set()
    for _, path, _ in found:
        if path.resolve() in seen:
            raise UsageError(f"{path} is named twice. Name each track once.")
        seen.add(path.resolve())
    digits = max(2, len(str(len(found))))
    tracks = []
    for _, joined in groupby(enumerate(found, 1), key=lambda one: one[1][0]):
        listed = [(place, path, entry) for place, (_, path, entry) in joined]
        songs = tuple(
            Song(path=path, title=entry.title or path.stem, stem=f"{place:0{digits}d}-{path.stem}")
            for place, path, entry in listed
        )
        tracks.append(Track(songs=songs, offset_lu=listed[0][2].offset_lu))
    return tracks


def mixes_in(sources: Sequence[Path]) -> list[Path]:
    """Files that sources name, as `find_tracks` takes them, each once and where it was named first; errors as there."""
    found: dict[Path, Path] = {}
    for source in sources:
        for _, path, _ in _listed(source):
            found.setdefault(path.resolve(), path)
    return list(found.values())


# The track that a song is of, its file, what the list says of it.
_Listed = tuple[object, Path, Entry]


def _listed(source: Path) -> list[_Listed]:
    found = list(_named_by(source))
    if not found:
        raise UsageError(f"{shown(source)} holds no sound file. Name files, a folder of mixes, or a list.")
    return found


def _named_by(source: Path) -> Iterator[_Listed]:
    if is_folder(source):
        for path in _sound_files(source):
            yield object(), path, Entry(file=path.name)
    elif source.suffix.lower() == ".toml":
        track, before = object(), None
        for entry in read_list(source):
            if before is None or not before.runs_into_next:
                track = object()
            elif before.offset_lu != entry.offset_lu:
                raise ConfigError(
                    f"{source}: {before.file} runs into {entry.file}, so both have one gain, but offset_lu is "
                    f"{before.offset_lu:g} and {entry.offset_lu:g}. Give both the same."
                )
            yield track, source.parent / entry.file, entry
            before = entry
        if before is not None and before.runs_into_next:
            raise ConfigError(f"{source}: {before.file} is the last and runs into none. Remove its runs_into_next.")
    else:
        yield object(), source, Entry(file=source.name)


def is_folder(path: Path) -> bool:
    """Whether a folder is there; what cannot even be looked for is none, and is told of where it is read."""
    try:
        return path.is_dir()
    except (OSError, ValueError):  # a name too long, a zero byte
        return False


def _sound_files(folder: Path) -> list[Path]:
    """Sound files that lie in a folder itself, by name; AudioFileError where it cannot be looked into."""
    try:
        return [path for path in sorted(folder.iterdir()) if path.suffix.lower() in _ENDINGS and path.is_file()]
    except OSError as error:
        raise AudioFileError(
            f"{shown(folder)} cannot be looked into ({error.strerror}); check its permissions."
        ) from error
