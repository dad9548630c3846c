"""What the page of all songs shows."""

from dataclasses import dataclass

from autochain.desk.desk import Desk
from autochain.units import number


@dataclass(frozen=True, slots=True, kw_only=True)
class SongLine:
    """One song at a glance."""

    id: str
    name: str
    state: str
    verdict: str
    loudness: str
    peak: str
    error: str


def songs_part(desk: Desk) -> list[SongLine]:
    """All songs, in their order."""
    lines = []
    for song in desk.songs:
        checked = desk.checked.get(song.id)
        figures = None if checked is None else checked.measurement
        lines.append(
            SongLine(
                id=song.id,
                name=song.path.name,
                state=song.state,
                verdict="" if checked is None else checked.readiness.verdict,
                loudness="" if figures is None else number(figures.integrated_lufs, "LUFS"),
                peak="" if figures is None else number(figures.true_peak_dbtp, "dBTP"),
                error=desk.errors.get(song.id, ""),
            )
        )
    return lines
