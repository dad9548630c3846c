"""A curve as a self-contained page: the picture, whose points show their settings and lead to their sheets."""

from collections.abc import Iterator
from importlib.resources import files

from autochain.chain.chain import STAGES
from autochain.curve import report as words
from autochain.curve.dents import dented
from autochain.curve.files import stem_of
from autochain.curve.picture import Line, Link, cost_picture
from autochain.curve.point import Curve, Point
from autochain.curve.statement import METHOD, NO_ADVICE, dents_text, knee_of, statement
from autochain.curve.targets import name_of
from autochain.document.shell import address, element, figure, grid, page, text
from autochain.search.baselines import LIMITER_ONLY, TRADE_DEFAULT
from autochain.search.costs import priced_db
from autochain.sheet import Sheet, build_sheet
from autochain.sheet.settings import setting_text, shown_settings
from autochain.sheet.words import CAUTION, COSTS, DISTORTION_PRICE
from autochain.units import number

_PICTURE = (
    "Score, the weighted sum of all costs, against loudness; lower is better. Line with dots: the suggestions; dashes: "
    "limiter alone; dotted: trade default."
)
_REACH = "Point at a dot, or reach it with the tab key, to see its settings; click it or press Enter for its sheet."
_SMALL = ("crest_loss_db", "onset_loss_db", "added_distortion_nmr_db", "gain_movement_db")


def to_html(curve: Curve, stem: str) -> str:
    """Whole document with a final newline; `stem` is the mix's name without its ending."""
    title = f"What loudness costs: {curve.points[0].found.mix.file}"
    style = files("autochain.curve").joinpath("style.css").read_text(encoding="utf-8")
    return page(title, _body(title, curve, stem), style + _one_card_at_a_time(curve))


def _one_card_at_a_time(curve: Curve) -> str:
    """Rules that show, without any script, the card of the dot that has the pointer, or else the focus."""
    rules = []
    for own in map(_id, curve.points):
        for seen in (f".curve:has(#d{own}:hover)", f".curve:not(:has(a:hover)):has(#d{own}:focus-visible)"):
            rules.append(f"{seen} .card {{ display: none; }} {seen} #c{own} {{ display: block; }}")
    return "\n".join(rules)


def _id(point: Point) -> str:
    return f"at{name_of(point.target_lufs)}".replace(".", "_")


def _body(title: str, curve: Curve, stem: str) -> Iterator[str]:
    first, *more = statement(curve)
    knee = knee_of(curve)
    knee_lufs = knee["lufs"] if knee is not None and knee["corner"] else None  # a bend has no place to mark
    points, at = curve.points, [p.target_lufs for p in curve.points]
    yield element("h1", title)
    yield element("p", first, "lead")
    if more:
        yield element("p", " ".join(more))
    links = [
        Link(
            href=address(f"{stem_of(stem, p.target_lufs)}.sheet.html"),
            words=f"{number(p.target_lufs, 'LUFS')}: score {words.score_text(p)}, {words.how(p)}. "
            f"{'; '.join(_settings(build_sheet(p.found)))}",
            name=f"d{_id(p)}",
        )
        for p in points
    ]
    lines = [
        Line(kind=kind, values=[b.score if (b := p.beside.get(name)) is not None and b.met else None for p in points])
        for name, kind in ((TRADE_DEFAULT, "third"), (LIMITER_ONLY, "second"))
    ]
    lines.append(Line(kind="line", values=[p.chosen.score if p.met else None for p in points]))
    yield '<section class="curve">'
    yield figure(cost_picture(_PICTURE, "score", at, lines, links, knee_lufs), f"{_PICTURE} {_REACH}")
    yield '<div class="cards" aria-hidden="true">'
    start = min(points, key=lambda p: abs(p.target_lufs - (at[len(at) // 2] if knee_lufs is None else knee_lufs)))
    for point in points:
        kind = "card first" if point is start else "card"
        settings = "".join(element("li", line) for line in _settings(build_sheet(point.found)))
        head = f"{number(point.target_lufs, 'LUFS')}, score {words.score_text(point)}, {words.how(point)}"
        yield f'<div class="{kind}" id="c{_id(point)}"><strong>{text(head)}</strong><ul>{settings}</ul></div>'
    yield "</div></section>"
    yield element("h2", "The points")
    yield grid(words.POINT_HEAD, words.point_rows(curve))
    yield element("p", f"{words.BESIDE_NOTE} {METHOD} {dents_text(curve)} {NO_ADVICE}", "soft")
    if dented(curve):
        yield element("p", f"Dents left at {', '.join(number(t) for t in dented(curve))} LUFS.", "soft")
    yield element("h2", "The costs one by one")
    yield '<div class="pair">'
    for name in _SMALL:
        yield _small(curve, name)
    yield "</div>"
    yield element("h2", "What to set")
    for point in points:
        yield from _sheet(point, stem)
    yield element("h2", "Every cost")
    yield grid(words.COST_HEAD, words.cost_rows(curve))
    yield element("h2", "After normalisation")
    yield element("p", words.NORMALISED_NOTE)
    yield grid(words.NORMALISED_HEAD, words.normalised_rows(curve))
    yield element("p", CAUTION, "soft")


def _small(curve: Curve, name: str) -> str:
    label, unit, _, meaning = COSTS[name]
    if name.endswith("nmr_db"):
        unit, meaning = "points", f"what it costs at a weight of 1. {DISTORTION_PRICE.removesuffix('.')}"
    caption = f"{label.strip()}, {unit}: {meaning}."
    lines = []
    for chain, kind in ((TRADE_DEFAULT, "third"), (LIMITER_ONLY, "second")):
        besides = [p.beside.get(chain) for p in curve.points]
        lines.append(
            Line(kind=kind, values=[priced_db(b.costs)[name] if b is not None and b.met else None for b in besides])
        )
    lines.append(Line(kind="line", values=[priced_db(p.chosen.costs)[name] if p.met else None for p in curve.points]))
    at = [p.target_lufs for p in curve.points]
    return figure(cost_picture(caption, unit, at, lines, size=(340.0, 210.0)), caption)


def _settings(sheet: Sheet) -> Iterator[str]:
    """One line a stage, as the sheet has it."""
    for entry in sheet.stages:
        own = "; ".join(setting_text(parameter, value) for parameter, value in shown_settings(entry, quiet=False))
        if own:
            yield f"{STAGES[entry.stage].label}: {own}"


def _sheet(point: Point, stem: str) -> Iterator[str]:
    sheet, name = build_sheet(point.found), stem_of(stem, point.target_lufs)
    yield f'<section class="sheet" id="{_id(point)}">'
    yield element("h3", f"{number(point.target_lufs, 'LUFS')}: {words.how(point)}")
    rows = []
    for entry in sheet.stages:
        own = "; ".join(setting_text(parameter, value) for parameter, value in shown_settings(entry, quiet=False))
        takes = entry.reduction_db
        meter = "–" if takes is None else f"takes {number(takes.typical)}, at most {number(takes.max, 'dB')}"
        rows.append([STAGES[entry.stage].label, own or "–", meter, number(entry.trim_db, "dB", signed=True)])
    yield grid(["stage", "set", "meter in loud parts", "trim"], rows)
    linked = ", ".join(
        f'<a href="{address(f"{name}.sheet.{kind}")}">{text(f"{name}.sheet.{kind}")}</a>'
        for kind in ("html", "md", "json")
    )
    yield f"<p>The whole sheet: {linked}</p></section>"
