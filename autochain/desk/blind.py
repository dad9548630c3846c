"""Choices without names: which of two versions of a song was preferred, and what both cost.

Those of all songs are in one file beside the results, since it takes twenty to tell anything.
"""

from datetime import date
from functools import lru_cache
from pathlib import Path

from autochain.desk.open_song import OpenSong
from autochain.desk.versions import HAND
from autochain.errors import AutochainError, UsageError
from autochain.given import quoted
from autochain.taste import BlindChoice, BlindVersion, add_choice, read_choices, told
from autochain.taste.told import Told


def keep_choice(song: OpenSong, first: str, second: str, chosen: str, at_s: float) -> bool:
    """Add a choice to the file, where it tells something.

    Parameters
    ----------
    song
        The open song.
    first, second
        Keys of both versions.
    chosen
        Which of the two.
    at_s
        Where in the mix it was heard.

    Returns
    -------
    Whether it was kept: of both it has to be known what they cost on the whole song, and that has to differ.

    Raises
    ------
    UsageError
        No such versions.
    ChoicesError, UnreadableError, AudioFileError, RunningError
        The file cannot be added to.
    """
    names = {one.key: one.name for one in song.versions()}
    if chosen not in (first, second) or first == second or not {first, second} <= names.keys():
        raise UsageError(f"{quoted(chosen)} was not chosen of two versions. Load the page again.")
    figures = {HAND: song.hand.figures(), **song.beside()}
    found = []
    for key in (first, second):
        known = figures.get(key)
        if known is not None and known.exact and known.costs is not None:
            found.append(BlindVersion.of(names[key], known.costs))
    if len(found) < 2 or found[0].costs == found[1].costs:
        return False
    song.files.out.mkdir(parents=True, exist_ok=True)
    choice = BlindChoice(
        day=date.today(),
        mix_sha256=song.mix.sha256,
        first=found[0],
        second=found[1],
        chosen="first" if chosen == first else "second",
        at_s=at_s,
    )
    add_choice(song.files.choices, choice)
    return True


def learned(path: Path) -> Told | str:
    """What the choices in a file tell, nothing where there is none; one line where they cannot be read.

    They are read anew only when the file is another: a fit takes a tenth of a second.
    """
    try:
        state = path.stat()
    except OSError:
        return told(())
    return _learned(path, state.st_mtime_ns, state.st_size)


@lru_cache(maxsize=4)
def _learned(path: Path, mtime_ns: int, size: int) -> Told | str:
    try:
        return told(read_choices(path).choices)
    except AutochainError as error:
        return str(error)
