"""The overview as Markdown, as a page and as JSON: every track in a row, what failed, the album as a whole."""

import json
from collections.abc import Iterator, Sequence

from autochain.album import alike_words
from autochain.album.account import standing_out, worst_relation_lu
from autochain.album.levels import POLICIES, SAME
from autochain.album.record import KINDS, Record
from autochain.album.run import Album
from autochain.album.tracks import Track
from autochain.document.charts import dot_chart
from autochain.document.shell import address, element, figure, grid, items, page, text
from autochain.sheet.findings import VERDICTS
from autochain.sheet.tables import plain, table
from autochain.sheet.words import CAUTION
from autochain.units import number

_ALIKE = "The same settings"
MOST_SHOWN = 500  # beyond, a page takes seconds to open and nobody reads it
FILES = ("album.md", "album.html", "album.json")
_HEAD = [
    "track", "mix LUFS", "wanted LUFS", "master LUFS", "true peak dBTP", "PSR dB", "side/mid dB", "check", "score",
    "result",
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
                found.title, number(found.mix_lufs), number(found.target_lufs), number(f["integrated_lufs"]),
                number(f["true_peak_dbtp"]), number(f["psr_median_db"]), number(f["side_to_mid_db"]),
                VERDICTS[found.ready], number(found.score, decimals=2), "reached" if found.met else "missed",
            ]  # fmt: skip
        else:
            yield [track.title, *["–"] * 8, "failed"]


def _place(album: Album, track: Track) -> str:
    """Where a track's sheets are from the overview, without `.sheet.` and what follows."""
    folder = "" if album.alike is None else album.alike.folder(track.stem)
    return f"{folder}/{track.stem}" if folder else track.stem


def _lists(album: Album) -> Iterator[tuple[str, list[str]]]:
    """Heads with what stands under them; of very many lines the first."""
    failures = [f"{track.title}: {found}" for track, found in album.tracks if not isinstance(found, Record)]
    out = [line for _, line in standing_out(album)]
    for head, said in (
        ("Could not be done", failures), ("Stands out", out), ("Keep their own settings", alike_words.own(album)),
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
        (str(place), r, float(lufs))
        for place, _, r in shown
        if isinstance(r, Record) and (lufs := r.figures["integrated_lufs"]) is not None
    ]
    if drawn:
        marks, titles = [mark for mark, _, _ in drawn], [r.title for _, r, _ in drawn]
        masters = [own for *_, own in drawn]
        words = "Integrated loudness of each track: ring, the mix; dot, the master."
        yield figure(dot_chart(words, "LUFS", marks, titles, [r.mix_lufs for _, r, _ in drawn], masters), words)
    yield grid(_HEAD, _rows(shown))
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
        "same_settings": alike_words.as_values(album),
        "tracks": tracks,
    }
    return json.dumps(whole, indent=2) + "\n"
