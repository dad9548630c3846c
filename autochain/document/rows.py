"""A picture of named rows, one value each, as SVG text: dots on stems beside their names.

Colours come from the page by class. A name that is too long is cut here and whole in the words of its row.
"""

import math
import unicodedata
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from html import escape

from autochain.document.axes import rounds, svg, upright, word

_WIDTH, _NAMES, _RIGHT = 340.0, 126.0, 14.0
_TOP, _BOTTOM, _ROW = 24.0, 6.0, 18.0
_LETTER = 5.8  # mean width of a letter at the page's 11 px


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One row.

    Attributes
    ----------
    name
        What it is.
    words
        The same with its value, for who points at it or does not see it.
    value
        Where its dot is.
    before
        Where its ring is, joined to the dot; None has none.
    stands_out
        Whether the dot is larger.
    href
        Where a click leads; empty for nowhere.
    """

    name: str
    words: str
    value: float
    before: float | None = None
    stands_out: bool = False
    href: str = ""


def row_chart(label: str, unit: str, rows: Sequence[Row], median: float | None = None, *, signed: bool = False) -> str:
    """Dots beside names, from the top down; with `median`, stems start at a dashed line there.

    Parameters
    ----------
    label
        What the picture shows.
    unit
        Unit of the values.
    rows
        One or more.
    median
        Where the dashed line is.
    signed
        Print a sign before the values along the axis.
    """
    known = [one.value for one in rows] + [one.before for one in rows if one.before is not None]
    known += [] if median is None else [median]
    low, high = math.floor(min(known) - 0.5), math.ceil(max(known) + 0.5)
    height = _TOP + _ROW * len(rows) + _BOTTOM

    def x_of(value: float) -> float:
        return _NAMES + (_WIDTH - _NAMES - _RIGHT) * (value - low) / (high - low)

    def drawn() -> Iterator[str]:
        yield word(_NAMES - 8.0, _TOP - 10.0, unit, "end")
        for level in rounds(low, high, 6):
            yield upright(x_of(level), _TOP - 4.0, height - _TOP - 2.0)
            yield word(x_of(level), _TOP - 10.0, f"{level:+g}" if signed and level else f"{level:g}", "middle")
        if median is not None:
            yield upright(x_of(median), _TOP - 4.0, height - _TOP - 2.0, "second")
        for place, one in enumerate(rows):
            inside = "".join(_row(one, _TOP + _ROW * (place + 0.5), x_of, median))
            words = escape(_printed(one.words))
            if one.href:
                yield f'<a href="{escape(one.href)}" aria-label="{words}">{inside}</a>'
            else:
                yield f"<g>{inside}</g>"

    return svg(_WIDTH, height, label, drawn(), links=any(one.href for one in rows))


def _row(one: Row, y: float, x_of: Callable[[float], float], median: float | None) -> Iterator[str]:
    start = median if one.before is None else one.before
    x = x_of(one.value)
    yield f"<title>{escape(_printed(one.words))}</title>"
    yield word(_NAMES - 8.0, y + 4.0, _cut(_printed(one.name)), "end")
    if start is not None:
        yield f'<path class="stem" d="M{x_of(start):.1f} {y:.1f}H{x:.1f}"/>'
    if one.before is not None:
        yield f'<circle class="ring" cx="{x_of(one.before):.1f}" cy="{y:.1f}" r="3.5"/>'
    kind, radius = ("dot out", 5.5) if one.stands_out else ("dot", 3.5)
    yield f'<circle class="{kind}" cx="{x:.1f}" cy="{y:.1f}" r="{radius}"/>'


def _printed(name: str) -> str:
    """Without signs that break or turn a line."""
    return "".join(c if c.isprintable() else " " for c in name)


def _cut(name: str) -> str:
    """As much of a name as fits beside the picture."""
    room = (_NAMES - 10.0) / _LETTER
    taken = 0.0
    for place, letter in enumerate(name):
        taken += 0.0 if unicodedata.combining(letter) else 1.8 if unicodedata.east_asian_width(letter) in "WF" else 1.0
        if taken > room:
            return name[: place - 1].rstrip() + "…"
    return name
