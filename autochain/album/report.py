"""The overview as a report: every track in a row, what failed, the album as a whole."""

import hashlib
from collections.abc import Iterator, Sequence
from importlib.resources import files
from statistics import median

from autochain.album.as_json import to_json
from autochain.album.figures import drift, gaps_s, median_balance_db, median_change_db, standing_out, worst_relation_lu
from autochain.album.job import Outcome
from autochain.album.levels import POLICIES, SAME
from autochain.album.listening import AlbumSound
from autochain.album.pictures import Drawn, pictures
from autochain.album.record import Record
from autochain.album.run import Album
from autochain.album.same_settings import FOLDER, SameSettings
from autochain.album.tracks import Track
from autochain.chain.chain import STAGES
from autochain.document.as_html import html
from autochain.document.as_markdown import markdown
from autochain.document.blocks import (
    Block,
    FileName,
    Heading,
    Line,
    Link,
    Listed,
    Paragraph,
    Part,
    Strong,
    Table,
    table,
)
from autochain.document.shell import address, page
from autochain.log.history import FEWEST, LEAST_DB, RANGES
from autochain.page.player import player, player_script, player_style
from autochain.sheet import SHEET_KINDS
from autochain.sheet.findings import VERDICTS
from autochain.sheet.settings import setting_text
from autochain.sheet.words import CAUTION
from autochain.units import number

MOST_ROWS = 500  # beyond, a page takes seconds to open and nobody reads it
OVERVIEW_FILES = ("album.md", "album.html", "album.json")
_LEVELS = (
    "Of each song the loudest part plays. The masters stand to each other as they do on the album, and every mix is as "
    "loud as its master; nothing was turned up."
)
_TONE_WORDS = (
    "Level of five ranges in each master, relative to the whole of its track, against the album's median, in dB. Gap: "
    "silence before the next track as they will play, in s."
)

# As short as a column needs them.
_VERDICTS = {**VERDICTS, "usable": "remarks", "revisit": "go back"}

# A track with its place from 1 on.
_Placed = tuple[int, Track, Outcome]


def to_markdown(album: Album) -> str:
    """Whole page with a final newline."""
    return markdown(to_blocks(album))


def to_html(album: Album, heard: AlbumSound | None = None) -> str:
    """Whole document with a final newline; it needs nothing but the sheets beside it.

    With `heard` it plays a part of each song.
    """
    style = files("autochain.album").joinpath("style.css").read_text(encoding="utf-8")
    if heard is None:
        return page("Album", html(to_blocks(album)), style)
    return page("Album", html(to_blocks(album, heard)), style + player_style(), player_script())


def _player(album: Album, heard: AlbumSound) -> Iterator[Block]:
    key = hashlib.sha256(to_json(album).encode()).hexdigest()
    played, done = len(heard.tracks), len(album.done)
    room = f" The page has {played} of {done} songs; those that ask for a look come first." if played < done else ""
    yield from player(heard.listening, key, key, told=_LEVELS + room)


def to_blocks(album: Album, heard: AlbumSound | None = None) -> Iterator[Block]:
    """The overview, block by block; with `heard` as a page that plays has it."""
    shown = _shown(album)
    yield Heading("Album", 1)
    yield Paragraph(Strong(_summary(album)), "lead")
    if back := [(track, found) for _, track, found in shown if isinstance(found, Record) and found.goes_back]:
        yield Paragraph(_back_to_the_mix(album), "lead")
        yield Listed([_who_goes_back(album, track, found) for track, found in back])
    yield Paragraph("\n".join(_sentences(album)))
    drawn = [
        Drawn(place=place, record=found, href=_page_of(album, track))
        for place, track, found in shown
        if isinstance(found, Record)
    ]
    yield _tracks(album, shown, heard)
    if heard is not None:
        yield from _player(album, heard)
    yield Part(tuple(pictures(album, drawn)), only="page")
    if album.done:
        yield Heading("Tone and gaps")
        yield Paragraph(_TONE_WORDS)
        yield _tone(album, shown)
    if album.same_settings is not None:
        yield Heading("The same settings")
        yield from _same_settings(album.same_settings)
    for title, lines in _lists(album):
        yield Heading(title)
        yield Listed(lines)
    yield Heading("Sheets")
    sheets = [(track, found) for _, track, found in shown if isinstance(found, Record)]
    yield Part([Listed([f"{album.sheet_stem(track)}.sheet.html, .md, .json" for track, _ in sheets])], only="text")
    yield Part([Listed([_links(album, track, found) for track, found in sheets])], only="page")
    yield Paragraph(CAUTION, "soft")


def _summary(album: Album) -> str:
    """One sentence on how it went."""
    failed = len(album.tracks) - len(album.done)
    missed = sum(not record.met for record in album.done)
    first = f"{len(album.done) - missed} of {len(album.tracks)} tracks reach their loudness"
    more = [f"{missed} {'misses' if missed == 1 else 'miss'} it"] * (missed > 0) + [f"{failed} failed"] * (failed > 0)
    return "; ".join([first, *more]) + "."


def _back_to_the_mix(album: Album) -> Line:
    count = sum(record.goes_back for record in album.done)
    verb = "goes" if count == 1 else "go"
    return Strong(f"{count} of {len(album.tracks)} {verb} back to the mix first."), " A master makes it no better."


def _who_goes_back(album: Album, track: Track, found: Record) -> Line:
    link = Link(found.title, f"{_page_of(album, track)}#findings")
    return (link, f": {found.reasons}.") if found.reasons else (link, ".")


def _sentences(album: Album) -> Iterator[str]:
    """What holds of the album as a whole."""
    target, ceiling = number(album.target_lufs, "LUFS"), number(album.ceiling_dbtp, "dBTP")
    yield f"Levels: {POLICIES[album.policy]}; target {target}, ceiling {ceiling}."
    if (whole := album.lufs) is not None:
        yield f"Integrated loudness of the masters one after the other: {number(whole, 'LUFS')}."
    if (worst := worst_relation_lu(album)) is not None:
        yield f"Loudness differences between masters are as wanted within {number(worst, 'LU', decimals=2)}."
    if len(album.done) >= FEWEST:
        common = "; ".join(drift(album)) or f"nothing by {number(LEAST_DB, 'dB')} or more"
        yield f"Changed in the tone of most masters, against their mixes at equal loudness: {common}."
    if album.policy != SAME and len(album.done) < len(album.tracks):
        yield "Failed tracks were left out when levels were set; adding them may shift levels."
    if len(album.tracks) > MOST_ROWS:
        yield (
            f"Shown, of {len(album.tracks)}: tracks that failed, go back to the mix, miss their loudness or stand out, "
            f"at most {MOST_ROWS}. All are in album.json; the sheet of each is beside it."
        )


def _shown(album: Album) -> list[_Placed]:
    """All tracks, or of very many those that ask for a look."""
    every = [(place, track, found) for place, (track, found) in enumerate(album.tracks, 1)]
    if len(every) <= MOST_ROWS:
        return every
    out = {id(record) for record, _ in standing_out(album)}
    asking = [one for one in every if not isinstance(one[2], Record) or one[2].asks_for_a_look or id(one[2]) in out]
    return asking[:MOST_ROWS]


def _page_of(album: Album, track: Track) -> str:
    return address(f"{album.sheet_stem(track)}.sheet.html")


def _tracks(album: Album, shown: Sequence[_Placed], heard: AlbumSound | None) -> Table:
    # The verdicts first: who must go back, and who misses the loudness.
    head = [
        "track", "mix", "result", "mix LUFS", "wanted LUFS", "master LUFS", "true peak dBTP", "PSR dB", "side/mid dB",
        "score",
    ]  # fmt: skip
    rows: list[list[Line]] = []
    for _, track, found in shown:
        if isinstance(found, Record):
            f = found.figures
            rows.append([
                Link(found.title, _page_of(album, track)),
                Strong(_VERDICTS[found.ready]) if found.goes_back else _VERDICTS[found.ready],
                "reached" if found.met else Strong("missed"),
                number(found.mix_lufs), number(found.target_lufs), number(f["integrated_lufs"]),
                number(f["true_peak_dbtp"]), number(f["psr_median_db"]), number(f["side_to_mid_db"]),
                number(found.score if found.met else None, decimals=2),
            ])  # fmt: skip
        else:
            rows.append([FileName(track.title), "–", Strong("failed"), *["–"] * 7])
    if heard is not None:
        head.append("loudest part")
        for (_, track, _), row in zip(shown, rows, strict=True):
            row.append(heard.loudest_part(track))
    return table(head, rows, "tracks")


def _tone(album: Album, shown: Sequence[_Placed]) -> Table:
    middle, change = median_balance_db(album), median_change_db(album)
    gaps, ranges = dict(enumerate(gaps_s(album), 1)), [name for name, _, _ in RANGES]
    rows: list[list[Line]] = []
    for place, _, found in shown:
        if isinstance(found, Record):
            off = {name: own - middle[name] for name, own in found.balance_db.items()}
            cells = (number(off.get(name), signed=True) for name in ranges)
            rows.append([FileName(found.title), *cells, number(gaps.get(place))])
    changed = (number(change.get(name), signed=True) for name in ranges)
    return table(["track", *ranges, "gap"], [*rows, ["changed by the masters, median", *changed, "–"]])


def _same_settings(same: SameSettings) -> Iterator[Block]:
    if not same.common:
        yield Paragraph("Fewer than two tracks were searched, so none can share settings.")
        return
    having, searched = len(same.cost), len(same.cost) + len(same.kept_own)
    lines = [
        f"{having} of {searched} tracks have the same stages and times. Their sheets are in {FOLDER}/ and list what "
        f"differs from the track's own settings."
    ]
    if having:
        lost = sorted(same.cost.values())
        worth = "" if same.worth_db is None else f", worth {number(same.worth_db, 'dB', decimals=2)} of crest"
        lines.append(
            f"Score lost: median {number(median(lost), decimals=2)}, largest {number(lost[-1], decimals=2)}; limit "
            f"{number(same.within, decimals=2)}{worth}."
        )
    yield Paragraph("\n".join(lines))
    parts = []
    for stage, values in same.common.items():
        known = STAGES[stage]
        parts.append([known.label, "; ".join(setting_text(known.parameter(n), value) for n, value in values.items())])
    yield table(["stage", "set"], parts, "words")
    yield Paragraph("Settings that differ from those of most tracks:")
    before, after = same.before, same.after
    counts = (
        ("stages and times", before.common, after.common),
        ("drive, thresholds, peak ceilings, trim", before.by_level, after.by_level),
        ("repairs of the mix", before.by_mix, after.by_mix),
    )
    yield table(
        ["kind", "every track by itself", "now"], ([kind, str(was), str(now)] for kind, was, now in counts)
    )


def _lists(album: Album) -> Iterator[tuple[str, list[str]]]:
    """Titles with what is under them; of very many lines the first."""
    failures = [f"{track.title}: {found.reason}" for track, found in album.tracks if not isinstance(found, Record)]
    out = [line for _, line in standing_out(album)]
    joined = ["; ".join(song.words() for song in record.parts) + "." for record in album.done if record.parts]
    why = album.same_settings.kept_own if album.same_settings else {}
    own = [f"{track.title}: {why[track.stem]}." for track, _ in album.tracks if track.stem in why]
    for title, lines in (
        ("Failed", failures), ("Songs that run into each other", joined), ("Stands out", out),
        ("Keep their own settings", own),
    ):  # fmt: skip
        if len(lines) > MOST_ROWS:
            lines = [*lines[:MOST_ROWS], f"{len(lines) - MOST_ROWS} more."]
        if lines:
            yield title, lines


def _links(album: Album, track: Track, record: Record) -> Line:
    stem = album.sheet_stem(track)
    links = [part for kind in SHEET_KINDS for part in (", ", Link(kind, address(f"{stem}.sheet.{kind}")))]
    return (FileName(record.title), ": ", *links[1:])
