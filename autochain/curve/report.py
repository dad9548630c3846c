"""A curve as a report: what it says, the points, what to set at each, their costs, and normalisation."""

import hashlib
from collections.abc import Iterator, Sequence
from importlib.resources import files

from autochain.chain.chain import STAGES
from autochain.chain.settings import StageName
from autochain.curve.as_data import to_json
from autochain.curve.monotone import not_monotone
from autochain.curve.picture import CostLine, PointLink, cost_picture
from autochain.curve.point import BaselineCosts, Curve, Point
from autochain.curve.sheets import CurveSheets
from autochain.curve.statement import METHOD, NO_ADVICE, knee_of, monotone_text, statement
from autochain.curve.targets import loudness_name
from autochain.document.as_html import html
from autochain.document.as_markdown import markdown
from autochain.document.blocks import (
    Block,
    Figure,
    FileName,
    Heading,
    Link,
    Listed,
    Paragraph,
    Part,
    Strong,
    Table,
    table,
)
from autochain.document.shell import address, page
from autochain.page.listening import Listening
from autochain.page.player import player, player_script, player_style
from autochain.render.normalised import PRACTICES, normalise
from autochain.search.baselines import BASELINE_WORDS, LIMITER_ONLY, TRADE_DEFAULT
from autochain.search.costs import priced_db
from autochain.sheet import SHEET_KINDS, Sheet
from autochain.sheet.settings import setting_text, shown_settings
from autochain.sheet.words import BASELINES, CAUTION, COSTS, DISTORTION_PRICE
from autochain.units import number

_COMPARED = (LIMITER_ONLY, TRADE_DEFAULT)
_LINES = ((TRADE_DEFAULT, "third"), (LIMITER_ONLY, "second"))  # by the page's style; the last is drawn on top
_COMPARED_NOTE = (
    f"{BASELINES} The limiter alone is chosen at the first loudness searched and kept for all. ~: estimated from the "
    "excerpts and from whole-song renders at up to three loudnesses. A dash: not reached."
)
_NORMALISED_NOTE = (
    "The gain that loudness normalisation at published levels applies to each point, and how far it stays short of the "
    "level where peaks allow no more. Every point louder than a level is turned down to it."
)
_PICTURE = (
    "Score, the weighted sum of all costs, against loudness; lower is better. Line with dots: the suggestions; dashes: "
    "limiter alone; dotted: trade default."
)
_HEARD = (
    "Points that miss their loudness are not played, nor those that take a gain alone: turned back they are the mix."
)
_REACH = "Point at a dot, or go to it with the tab key, for its settings; click it or press Enter for its sheet."
_TITLE = "What loudness costs: "
_SMALL = ("crest_loss_db", "onset_loss_db", "added_distortion_nmr_db", "gain_movement_db")


def to_markdown(found: CurveSheets) -> str:
    """Whole page with a final newline."""
    return markdown(_blocks(found))


def to_html(found: CurveSheets, listening: Listening | None = None) -> str:
    """Whole document with a final newline; its dots show settings and lead to their sheets.

    With `listening` it plays the mix and the points (`curve.listening`).
    """
    style = files("autochain.curve").joinpath("style.css").read_text(encoding="utf-8")
    style += _one_card_at_a_time(found.curve)
    mix = found.curve.points[0].found.mix
    title = _TITLE + mix.file
    if listening is None:
        return page(title, html(_blocks(found)), style)
    key = hashlib.sha256(to_json(found).encode()).hexdigest()
    heard = list(player(listening, mix.sha256, key, difference=False, more=_HEARD))
    return page(title, html(_blocks(found, heard)), style + player_style(), player_script())


def _blocks(found: CurveSheets, heard: Sequence[Block] = ()) -> Iterator[Block]:
    curve = found.curve
    first, *more = statement(curve)
    yield Heading((_TITLE, FileName(curve.points[0].found.mix.file)), 1)
    yield Paragraph(Strong(first), "lead")
    if more:
        yield Paragraph(" ".join(more))
    yield Part(tuple(_score_figure(found)), "curve", only="page")
    yield from heard
    yield Part([Heading("The points")], only="page")
    yield _points(curve)
    ceiling = number(curve.points[0].found.config.target.ceiling_dbtp, "dBTP")
    yield Paragraph(f"Ceiling {ceiling}. {_COMPARED_NOTE}", "soft")
    yield Paragraph(f"{METHOD} {monotone_text(curve)} {NO_ADVICE}", "soft")
    if left := not_monotone(curve):
        at = ", ".join(number(target) for target in left)
        yield Paragraph(f"Still worse than a louder point at {at} LUFS: search these alone with more trials.", "soft")
    yield Part(
        [
            Heading("The costs one by one"),
            Part([_small_figure(curve, name) for name in _SMALL], "pair"),
            Heading("What to set"),
            *(_what_to_set(found, point, sheet) for point, sheet in found.points),
        ],
        only="page",
    )
    yield Heading("Every cost")
    yield _costs(curve)
    yield Heading("After normalisation")
    yield Paragraph(_NORMALISED_NOTE)
    yield _normalised(curve)
    yield Part([Heading("Sheets"), Listed([_sheet_files(found, point) for point in curve.points])], only="text")
    yield Paragraph(CAUTION, "soft")


def _sheet_files(found: CurveSheets, point: Point) -> str:
    own = found.sheet_name(point, "html")
    return f"{number(point.target_lufs, 'LUFS')}: {own}, .md, .json"


def _points(curve: Curve) -> Table:
    head = [
        "LUFS", "true peak dBTP", "score", *(BASELINE_WORDS[name] for name in _COMPARED), "crest lost dB",
        "added distortion dB", "gain movement dB", "settings",
    ]  # fmt: skip
    rows = (
        [
            number(point.target_lufs),
            number(point.chosen.after.true_peak_dbtp),
            _score(point),
            *(_baseline_score(point.baselines.get(name)) for name in _COMPARED),
            number(point.chosen.costs.crest_loss_db),
            number(point.chosen.costs.added_distortion_nmr_db),
            number(point.chosen.costs.gain_movement_db),
            _origin(point),
        ]
        for point in curve.points
    )
    return table(head, rows, "points")


def _score(point: Point) -> str:
    """What missed its loudness compares with nothing."""
    return number(point.chosen.score if point.met else None, decimals=2)


def _baseline_score(baseline: BaselineCosts | None) -> str:
    if baseline is None or not baseline.met:
        return "–"
    return f"{'' if baseline.verified else '~'}{number(baseline.score, decimals=2)}"


def _origin(point: Point) -> str:
    """Where the settings come from."""
    if not point.met:
        return f"not reached: {number(point.chosen.after.integrated_lufs, 'LUFS')}"
    if point.by_gain:
        return "gain alone"
    if point.taken_from_lufs is not None:
        return f"as at {number(point.taken_from_lufs)}, with less drive"
    return "searched"


def _costs(curve: Curve) -> Table:
    rows = []
    for point in curve.points:
        values = point.chosen.costs.as_dict()
        cells = (number(values[name], decimals=decimals) for name, (_, _, decimals, _) in COSTS.items())
        rows.append([number(point.target_lufs), *cells])
    return table(["LUFS", *(label.strip() for label, *_ in COSTS.values())], rows)


def _normalised(curve: Curve) -> Table:
    rows = []
    for point in curve.points:
        after = point.chosen.after
        if after.integrated_lufs is None or after.true_peak_dbtp is None:
            continue
        cells = []
        for one in normalise(after.integrated_lufs, after.true_peak_dbtp):
            short = f", {number(one.short_lu, 'LU')} short" if one.short_lu >= 0.05 else ""
            cells.append(number(one.gain_db, "dB", signed=True) + short)
        rows.append([number(point.target_lufs), *cells])
    return table(["LUFS", *(f"{practice}, {number(level, 'LUFS')}" for practice, level, _ in PRACTICES)], rows)


def _mark(point: Point) -> str:
    """Name of a point on the page."""
    return f"at{loudness_name(point.target_lufs)}".replace(".", "_")


def _one_card_at_a_time(curve: Curve) -> str:
    """Rules that show, without any script, the card of the dot that has the pointer, or else the focus."""
    rules = []
    for own in map(_mark, curve.points):
        for seen in (f".curve:has(#d{own}:hover)", f".curve:not(:has(a:hover)):has(#d{own}:focus-visible)"):
            rules.append(f"{seen} .card {{ display: none; }} {seen} #c{own} {{ display: block; }}")
    return "\n".join(rules)


def _score_figure(found: CurveSheets) -> Iterator[Block]:
    curve = found.curve
    knee = knee_of(curve)
    knee_lufs = knee["lufs"] if knee is not None and knee["corner"] else None  # a bend has no place to mark
    points, at = curve.points, [p.target_lufs for p in curve.points]
    links, cards = [], []
    start = min(points, key=lambda p: abs(p.target_lufs - (at[len(at) // 2] if knee_lufs is None else knee_lufs)))
    for point, sheet in found.points:
        lines = [f"{STAGES[stage].label}: {own}" for stage, own in _settings(sheet) if own]
        head = f"score {_score(point)}, {_origin(point)}"
        lufs = number(point.target_lufs, "LUFS")
        href = address(found.sheet_name(point, "html"))
        links.append(PointLink(href=href, words=f"{lufs}: {head}. {'; '.join(lines)}", name=f"d{_mark(point)}"))
        kind = "card first" if point is start else "card"
        cards.append(Part([Paragraph(Strong(f"{lufs}, {head}")), Listed(lines)], kind, f"c{_mark(point)}"))
    series = [
        CostLine(kind=kind, values=[b.score if (b := p.baselines.get(name)) and b.met else None for p in points])
        for name, kind in _LINES
    ]
    series.append(CostLine(kind="line", values=[p.chosen.score if p.met else None for p in points]))
    yield Figure(cost_picture(_PICTURE, "score", at, series, links, knee_lufs), f"{_PICTURE} {_REACH}")
    yield Part(cards, "cards")


def _small_figure(curve: Curve, name: str) -> Figure:
    label, unit, _, meaning = COSTS[name]
    title = label.strip().capitalize()
    caption = f"{title}, {unit}: {meaning}."
    if name.endswith("nmr_db"):
        unit, caption = "points", f"{title}, points. {DISTORTION_PRICE}"
    series = []
    for chain, kind in _LINES:
        baselines = [p.baselines.get(chain) for p in curve.points]
        values = [priced_db(b.costs)[name] if b is not None and b.met else None for b in baselines]
        series.append(CostLine(kind=kind, values=values))
    own = [priced_db(p.chosen.costs)[name] if p.met else None for p in curve.points]
    series.append(CostLine(kind="line", values=own))
    at = [p.target_lufs for p in curve.points]
    return Figure(cost_picture(caption, unit, at, series, size=(340.0, 210.0)), caption)


def _settings(sheet: Sheet) -> Iterator[tuple[StageName, str]]:
    """Each stage with what to set, as the sheet has it; empty where it has only usual values."""
    for entry in sheet.stages:
        shown = shown_settings(entry, quiet=False)
        yield entry.stage, "; ".join(setting_text(parameter, value) for parameter, value in shown)


def _what_to_set(found: CurveSheets, point: Point, sheet: Sheet) -> Part:
    rows = []
    for entry, (stage, own) in zip(sheet.stages, _settings(sheet), strict=True):
        takes = entry.reduction_db
        meter = "–" if takes is None else f"takes {number(takes.typical)}, at most {number(takes.max, 'dB')}"
        rows.append([STAGES[stage].label, own or "–", meter, number(entry.trim_db, "dB", signed=True)])
    names = [found.sheet_name(point, kind) for kind in SHEET_KINDS]
    links = [part for name in names for part in (", ", Link(name, address(name)))]
    return Part(
        [
            Heading(f"{number(point.target_lufs, 'LUFS')}: {_origin(point)}", 3),
            table(["stage", "set", "meter in loud parts", "trim"], rows),
            Paragraph(("The whole sheet: ", *links[1:])),
        ],
        "sheet",
        _mark(point),
    )
