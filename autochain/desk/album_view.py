"""What the album's page shows."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from autochain.album.levels import POLICIES, track_targets_lufs
from autochain.album.list_file import Entry
from autochain.check.checked import Checked
from autochain.desk.album import AlbumOnDesk, AlbumWish
from autochain.sheet.findings import VERDICTS
from autochain.units import number


@dataclass(frozen=True, slots=True, kw_only=True)
class AlbumLine:
    """One song of the album, and whether what comes behind it can be heard."""

    file: str
    title: str
    offset_lu: float
    runs_into_next: bool
    verdict: str
    goes_back: bool
    mix_lufs: str
    wanted_lufs: str
    master_lufs: str
    peak_dbtp: str
    score: str
    result: str
    first: bool
    last: bool
    heard: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class AlbumPart:
    """Everything of the album."""

    lines: tuple[AlbumLine, ...]
    wish: AlbumWish
    policies: Mapping[str, str]
    summary: str


def album_part(album: AlbumOnDesk, checked: Mapping[str, Checked]) -> AlbumPart:
    """The album as it stands; `checked` is by the real path of the mix."""
    entries, wish = album.entries, album.wish
    known = [checked.get(album.real_path(entry)) for entry in entries]
    wanted = _wanted(entries, known, wish)
    overview = album.overview() or {}
    results = _by_title(overview)
    lines = []
    for place, (entry, found, own) in enumerate(zip(entries, known, wanted, strict=True)):
        title = entry.title or album.stem(entry)
        result = results.get(title, {})
        figures = result.get("figures") or {}
        met = result.get("met")
        lines.append(
            AlbumLine(
                file=entry.file,
                title=title,
                offset_lu=entry.offset_lu,
                runs_into_next=entry.runs_into_next,
                verdict="" if found is None else VERDICTS[found.readiness.verdict],
                goes_back=found is not None and found.readiness.verdict == "revisit",
                mix_lufs="" if found is None else number(found.measurement.integrated_lufs, "LUFS"),
                wanted_lufs="" if own is None else number(own, "LUFS"),
                master_lufs=number(figures.get("integrated_lufs"), "LUFS") if figures else "",
                peak_dbtp=number(figures.get("true_peak_dbtp"), "dBTP") if figures else "",
                score=number(result.get("score"), decimals=2) if met else "",
                result=result.get("error") or ("" if met is None else "reached" if met else "missed"),
                first=place == 0,
                last=place == len(entries) - 1,
                heard=place < len(entries) - 1 and album.has_masters(place),
            )
        )
    return AlbumPart(lines=tuple(lines), wish=wish, policies=POLICIES, summary=_summary(overview))


def _wanted(
    entries: tuple[Entry, ...], known: list[Checked | None], wish: AlbumWish
) -> list[float | None]:
    """Loudness that each song is to have; unknown as long as a mix has not been measured."""
    mixes = [None if one is None else one.measurement.integrated_lufs for one in known]
    given = [lufs for lufs in mixes if lufs is not None]
    if len(given) < len(entries):
        return [None] * len(entries)
    return [*track_targets_lufs(wish.levels, wish.lufs, given, [entry.offset_lu for entry in entries])]


def _by_title(overview: Mapping[str, Any]) -> dict[str, dict[str, Any]]:
    tracks = overview.get("tracks")
    found: dict[str, dict[str, Any]] = {}
    for track in tracks if isinstance(tracks, list) else []:
        if isinstance(track, dict):
            for title in str(track.get("title", "")).split(" / "):
                found[title] = track
    return found


def _summary(overview: Mapping[str, Any]) -> str:
    whole = overview.get("album_lufs")
    if not isinstance(whole, (int, float)):
        return ""
    told = f"All masters one after the other: {number(float(whole), 'LUFS')}."
    same = overview.get("same_settings")
    if isinstance(same, dict):
        having, own = len(same.get("score_lost") or {}), len(same.get("own_settings") or {})
        told += f" {having} of {having + own} songs have the same settings."
    return told
