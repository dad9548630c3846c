"""What the pictures share: frames, lines across, times along; SVG text whose colours come from the page by class."""

import math
from collections.abc import Iterable, Iterator
from html import escape

from autochain.units import clock


def svg(width: float, height: float, label: str, parts: Iterable[str], *, links: bool = False) -> str:
    """One picture; `label` says what it shows to those who do not see it.

    With `links` inside it is a group: in the role of an image they would be hidden from those who read with their ears.
    """
    role = "group" if links else "img"
    return (
        f'<svg viewBox="0 0 {width:.0f} {height:.0f}" role="{role}" aria-label="{escape(label)}">'
        + "".join(parts)
        + "</svg>"
    )


def word(x: float, y: float, text: str, anchor: str = "start", kind: str = "") -> str:
    """A short text at a place."""
    own = f' class="{kind}"' if kind else ""
    return f'<text{own} x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{escape(text)}</text>'


def line(points: Iterable[tuple[float, float]], kind: str) -> str:
    """A line through points."""
    return f'<polyline class="{kind}" points="{_joined(points)}"/>'


def area(points: Iterable[tuple[float, float]], kind: str) -> str:
    """A filled outline."""
    return f'<polygon class="{kind}" points="{_joined(points)}"/>'


def across(x: float, width: float, y: float, kind: str = "grid") -> str:
    """A level line."""
    return f'<path class="{kind}" d="M{x:.1f} {y:.1f}h{width:.1f}"/>'


def upright(x: float, y: float, height: float, kind: str = "grid") -> str:
    """A line from the top down."""
    return f'<path class="{kind}" d="M{x:.1f} {y:.1f}v{height:.1f}"/>'


def pressed(x: float, width: float, y: float, stop_y: float, start_s: float, stop_s: float) -> Iterator[str]:
    """A stretch of the song that a page plays: a bar under the picture, and what a pointer presses above it."""
    yield f'<rect class="held" x="{x:.1f}" y="{stop_y + 2.0:.1f}" width="{width:.1f}" height="4"/>'
    yield (
        f'<rect class="reach" data-from="{start_s:.2f}" data-to="{stop_s:.2f}" x="{x:.1f}" y="{y:.1f}" '
        f'height="{stop_y - y:.1f}" width="{width:.1f}"><title>play {clock(start_s)} to {clock(stop_s)}</title></rect>'
    )


def head(x: float, y: float, stop_y: float, step: float) -> str:
    """The player's place, a line that a page moves by `step` for every second."""
    return f'<path class="head" data-step="{step:.4f}" d="M{x:.1f} {y:.1f}v{stop_y - y:.1f}"/>'


def rounds(low: float, high: float, most: int) -> list[float]:
    """Round values inside a range, `most` at most."""
    for step in (0.1, 0.2, 0.5, 1.0, 2.0, 3.0, 5.0, 6.0, 10.0, 20.0, 30.0, 45.0, 90.0, 180.0, 360.0, 1000.0):
        values = [k * step for k in range(math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9) + 1)]
        if len(values) <= most:
            return values
    return []


def times(duration_s: float) -> list[int]:
    """Round times inside a song, eight at most."""
    step = next(s for s in (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 3600) if duration_s / s <= 8.0 or s == 3600)
    return list(range(0, int(duration_s) + 1, step))


def _joined(points: Iterable[tuple[float, float]]) -> str:
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
