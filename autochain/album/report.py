"""The overview as Markdown, as a page and as JSON: every track in a row, what failed, the album as a whole."""

import json
from collections.abc import Iterator, Sequence

from autochain.album import alike_words
from autochain.album.figures import (
    drift,
    gaps_s,
    median_balance_db,
    median_change_db,
    standing_out,
    worst_relation_lu,
)
from autochain.album.levels import POLICIES, SAME
from autochain.album.pictures import Shown, pictures
from autochain.album.record import KINDS, Record
from autochain.album.run import Album
from autochain.album.tracks import Track
from autochain.document.shell import address, element, grid, items, page, text
from autochain.log.history import FEWEST, LEAST_DB, RANGES
from autochain.sheet.findings import VERDICTS
from autochain.sheet.tables import plain, table
from autochain.sheet.words import CAUTION
from autochain.units import number

_TONE = "Tone and gaps"
_TONE_WORDS = (
    "Level of five ranges in each master against the album's median, dB, each relative to the whole of its track; "
    "silence before the next track as they will play, s."
)
_TONE_HEAD = ["track", *(name for name, _, _ in RANGES), "gap"]
_ALIKE = "The same settings"
MOST_SHOWN = 500  # beyond, a page takes seconds to open and nobody reads it
FILES = ("album.md", "album.html", "album.json")
# The result first, as a narrow screen shows the first columns.
_HEAD = [
    "track", "result", "mix LUFS", "wanted LUFS", "master LUFS", "true peak dBTP", "PSR dB", "side/mid dB", "score",
    "check",
]  # fmt: skip


def summary(album: Album) -> str:
    """One sentence on how it went."""
    failed = len(album.tracks) - len(album.done)
    missed = sum(not record.met for record in album.done)
    first = f"{len(album.done) - missed} of {len(album.tracks)} tracks reach their loudness"
    more = [f"{missed} miss it"] * (missed > 0) + [f"{failed} could not be done"] * (failed > 0)
    return "; ".join([first, *more]) + "."


def facts(album: Album) -> list[str]:
    """Sentences on the album as a whole."""
    lines = [
        f"Levels: {POLICIES[album.policy]}; target {number(album.target_lufs, 'LUFS')}, "
        f"ceiling {number(album.ceiling_dbtp, 'dBTP')}."
    ]
    if (whole := album.lufs) is not None:
        lines.append(f"One after the other the masters have {number(whole, 'LUFS')}.")
    if (worst := worst_relation_lu(album)) is not None:
        lines.append(f"No two masters differ by more than {number(worst, 'LU', decimals=2)} from what was wanted.")
    if len(album.done) >= FEWEST:
        moved = drift(album)
        common = "; ".join(moved) if moved else f"nothing by {number(LEAST_DB, 'dB')} or more"
        lines.append(f"What the masters moved in common against their mixes, at equal loudness: {common}.")
    if album.policy != SAME and len(album.done) < len(album.tracks):
        lines.append("What could not be done took no part in the levels; with it they may change.")
    if len(album.tracks) > MOST_SHOWN:
        lines.append(
            f"Of {len(album.tracks)} tracks those are shown that failed, miss their loudness or stand out, at most "
            f"{MOST_SHOWN}; all are in album.json, and the sheet of each lies beside it."
        )
    return lines


def _shown(album: Album) -> list[tuple[int, Track, Record | str]]:
    """Tracks with their places from 1 on: all, or of very many those that ask for a look, so that a page stays one."""
    every = [(place, track, found) for place, (track, found) in enumerate(album.tracks, 1)]
    if len(every) <= MOST_SHOWN:
        return every
    out = {id(record) for record, _ in standing_out(album)}
    asking = [one for one in every if not isinstance(one[2], Record) or not one[2].met or id(one[2]) in out]
    return asking[:MOST_SHOWN]


def _rows(shown: Sequence[tuple[int, Track, Record | str]]) -> Iterator[list[str]]:
    for _, track, found in shown:
        if isinstance(found, Record):
            f = found.figures
            yield [
                found.title, "reached" if found.met else "missed", number(found.mix_lufs), number(found.target_lufs),
                number(f["integrated_lufs"]), number(f["true_peak_dbtp"]), number(f["psr_median_db"]),
                number(f["side_to_mid_db"]), number(found.score if found.met else None, decimals=2),
                VERDICTS[found.ready],
            ]  # fmt: skip
        else:
            yield [track.title, "failed", *["–"] * 8]


def _tone_rows(album: Album, shown: Sequence[tuple[int, Track, Record | str]]) -> Iterator[list[str]]:
    middle, change = median_balance_db(album), median_change_db(album)
    gaps = dict(enumerate(gaps_s(album), 1))
    for place, _, found in shown:
        if isinstance(found, Record):
            off = {name: own - middle[name] for name, own in found.balance_db.items()}
            yield [found.title, *(number(off.get(name), signed=True) for name, _, _ in RANGES), number(gaps.get(place))]
    yield ["changed by the masters, median", *(number(change.get(name), signed=True) for name, _, _ in RANGES), "–"]


def _place(album: Album, track: Track) -> str:
    """Where a track's sheets are from the overview, without `.sheet.` and what follows."""
    folder = "" if album.alike is None else album.alike.folder(track.stem)
    return f"{folder}/{track.stem}" if folder else track.stem


def _lists(album: Album) -> Iterator[tuple[str, list[str]]]:
    """Heads with what stands under them; of very many lines the first."""
    failures = [f"{track.title}: {found}" for track, found in album.tracks if not isinstance(found, Record)]
    out = [line for _, line in standing_out(album)]
    joined = ["; ".join(part.words() for part in record.parts) + "." for record in album.done if record.parts]
    for head, said in (
        ("Could not be done", failures), ("Run into each other", joined), ("Stands out", out),
        ("Keep their own settings", alike_words.own(album)),
    ):  # fmt: skip
        if len(said) > MOST_SHOWN:
            said = [*said[:MOST_SHOWN], f"{len(said) - MOST_SHOWN} more."]
        if said:
            yield head, said


def to_markdown(album: Album) -> str:
    """Whole page with a final newline."""
    lines = ["# Album", "", f"**{summary(album)}**", "", *facts(album), ""]
    shown = _shown(album)
    lines += table(_HEAD, ([plain(row[0]), *row[1:]] for row in _rows(shown)))
    if album.done:
        lines += ["", f"## {_TONE}", "", _TONE_WORDS, ""]
        lines += table(_TONE_HEAD, ([plain(row[0]), *row[1:]] for row in _tone_rows(album, shown)))
    if album.alike is not None:
        lines += ["", f"## {_ALIKE}", "", *alike_words.facts(album), ""]
        lines += table(alike_words.HEAD, alike_words.rows(album)) if album.alike.house else []
    for head, said in _lists(album):
        lines += ["", f"## {head}", "", *(f"- {plain(one)}" for one in said)]
    lines += ["", "## Sheets", ""]
    for _, track, found in shown:
        if isinstance(found, Record):
            lines.append(f"- {plain(_place(album, track))}.sheet.html, .md, .json")
    return "\n".join([*lines, "", CAUTION]) + "\n"


def to_html(album: Album) -> str:
    """Whole document with a final newline; it needs nothing but the sheets beside it."""
    return page("Album", _body(album))


def _body(album: Album) -> Iterator[str]:
    yield element("h1", "Album")
    yield element("p", summary(album), "lead")
    yield element("p", " ".join(facts(album)))
    shown = _shown(album)
    drawn = [
        Shown(place=place, record=found, href=address(f"{_place(album, track)}.sheet.html"))
        for place, track, found in shown
        if isinstance(found, Record)
    ]
    yield from pictures(album, drawn)
    yield grid(_HEAD, _rows(shown))
    if album.done:
        yield element("h2", _TONE)
        yield element("p", _TONE_WORDS)
        yield grid(_TONE_HEAD, _tone_rows(album, shown))
    if album.alike is not None:
        yield element("h2", _ALIKE)
        yield element("p", " ".join(alike_words.facts(album)))
        if album.alike.house:
            yield grid(alike_words.HEAD, alike_words.rows(album))
    for head, said in _lists(album):
        yield element("h2", head)
        yield items(said)
    yield element("h2", "Sheets")
    yield "<ul>"
    for _, track, found in shown:
        if isinstance(found, Record):
            place = _place(album, track)
            links = ", ".join(f'<a href="{address(f"{place}.sheet.{kind}")}">{kind}</a>' for kind in KINDS)
            yield f"<li>{text(found.title)}: {links}</li>"
    yield "</ul>"
    yield element("p", CAUTION, "soft")


def to_json(album: Album) -> str:
    """Facts of all tracks with a final newline."""
    left_out = {"levels", "earlier", "request"}
    tracks = [
        {**found.model_dump(mode="json", exclude=left_out), "sheet": _place(album, track), "error": None}
        if isinstance(found, Record)
        else {"title": track.title, "error": found}
        for track, found in album.tracks
    ]
    whole = {
        "format_version": 1,
        "policy": album.policy,
        "target_lufs": album.target_lufs,
        "ceiling_dbtp": album.ceiling_dbtp,
        "album_lufs": album.lufs,
        "worst_relation_lu": worst_relation_lu(album),
        "gaps_s": gaps_s(album),
        "median_balance_db": median_balance_db(album),
        "median_change_db": median_change_db(album),
        "moved_in_common": drift(album),
        "stand_out": [line for _, line in standing_out(album)],
        "same_settings": alike_words.as_values(album),
        "tracks": tracks,
    }
    return json.dumps(whole, indent=2) + "\n"
