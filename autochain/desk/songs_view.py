"""What the page of all songs shows."""

from collections import Counter
from dataclasses import dataclass

from markupsafe import Markup

from autochain.desk.desk import Desk
from autochain.desk.folder import folder_of_mixes
from autochain.desk.pages import rendered
from autochain.desk.words import SIGNS
from autochain.given import name_shown
from autochain.sheet.findings import VERDICTS, kinds
from autochain.units import clock, number


@dataclass(frozen=True, slots=True, kw_only=True)
class SongLine:
    """One song at a glance."""

    id: str
    name: str
    state: str
    sign: Markup
    verdict: str
    found: str
    length: str
    loudness: str
    peak: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FirstLine:
    """A song that wants attention before the others, and why."""

    id: str
    name: str
    sign: Markup
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SongsPart:
    """All songs: in a sentence, what comes first, and line by line."""

    lead: str
    first: tuple[FirstLine, ...]
    lines: tuple[SongLine, ...]
    folder: str


def songs_part(desk: Desk) -> SongsPart:
    """All songs, in their order."""
    lines, first = list[SongLine](), list[FirstLine]()
    for song in desk.songs:
        checked, error = desk.checked.get(song.id), desk.errors.get(song.id, "")
        figures = None if checked is None else checked.measurement
        verdict = None if checked is None else checked.readiness.verdict
        sign = SIGNS["revisit" if error else verdict or "waiting"]
        told = "cannot be used" if error else "being checked" if verdict is None else VERDICTS[verdict]
        found = [] if checked is None else [one for one in checked.readiness.findings if one.sends_back]
        if error or found:
            words = error or f"{told} ({kinds(found)})"
            first.append(FirstLine(id=song.id, name=song.name, sign=sign, words=words))
        lines.append(
            SongLine(
                id=song.id,
                name=song.name,
                state=song.state,
                sign=sign,
                verdict=told,
                found="" if checked is None else kinds(checked.readiness.findings),
                length="" if checked is None else clock(checked.duration_s),
                loudness="" if figures is None else number(figures.integrated_lufs, "LUFS"),
                peak="" if figures is None else number(figures.true_peak_dbtp, "dBTP"),
            )
        )
    folder = name_shown(str(folder_of_mixes(desk.sources)))
    return SongsPart(lead=_lead(desk), first=tuple(first), lines=tuple(lines), folder=folder)


def _lead(desk: Desk) -> str:
    counts = Counter[str](one.readiness.verdict for one in desk.checked.values())
    told = [f"{counts[verdict]} {words}" for verdict, words in VERDICTS.items() if counts[verdict]]
    told += [f"{len(desk.errors)} that cannot be used"] if desk.errors else []
    left = len(desk.songs) - len(desk.checked) - len(desk.errors)
    told += [f"{left} still to be checked"] if left else []
    return f"{len(desk.songs)} {'song' if len(desk.songs) == 1 else 'songs'}: {'; '.join(told)}."


def songs_fragment(desk: Desk) -> str:
    """The element of the songs as HTML."""
    return rendered("songs_part.html", songs=songs_part(desk))
