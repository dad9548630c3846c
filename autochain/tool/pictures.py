"""Lines over a straight or logarithmic axis, as SVG text: what was measured, and what the model makes of it."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from autochain.document.axes import across, line, rounds, svg, upright, word
from autochain.units import frequency_mark

_WIDTH, _HEIGHT = 460.0, 230.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 44.0, 14.0, 22.0, 40.0
_MARKS_HZ = (20.0, 50.0, 100.0, 200.0, 500.0, 1000.0, 2000.0, 5000.0, 10000.0, 20000.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """One line: places along the axis and values; drawn solid (`line`), dashed (`second`) or as rings (`ring`)."""

    at: Sequence[float]
    values: Sequence[float]
    kind: str = "line"


def lines_chart(
    label: str, courses: Sequence[Course], across_unit: str, up_unit: str, *, log: bool = False, least: float = 3.0
) -> str:
    """Draw courses in one frame.

    Parameters
    ----------
    label
        What the picture shows.
    courses
        One or more, each with two places or more.
    across_unit, up_unit
        What is printed at the axes.
    log
        Places on a logarithmic scale, in Hz.
    least
        Least span of the values.
    """
    places = [p for course in courses for p in course.at]
    values = [v for course in courses for v in course.values if math.isfinite(v)]
    first, last = min(places), max(places)
    low, high = min(values), max(values)
    middle = 0.5 * (low + high)
    span = max(least, 1.08 * (high - low))
    low, high = middle - 0.5 * span, middle + 0.5 * span

    def x(place: float) -> float:
        share = math.log(place / first) / math.log(last / first) if log else (place - first) / (last - first)
        return _LEFT + (_WIDTH - _LEFT - _RIGHT) * share

    def y(value: float) -> float:
        return _TOP + (_HEIGHT - _TOP - _BOTTOM) * (high - value) / (high - low)

    parts = list[str]()
    for level in rounds(low, high, 7):
        parts.append(across(_LEFT, _WIDTH - _LEFT - _RIGHT, y(level)))
        parts.append(word(_LEFT - 5.0, y(level) + 4.0, f"{level:g}", "end"))
    for mark in [m for m in _MARKS_HZ if first <= m <= last] if log else rounds(first, last, 9):
        text = frequency_mark(mark) if log else f"{mark:g}"
        parts += [upright(x(mark), _TOP, _HEIGHT - _TOP - _BOTTOM), word(x(mark), _HEIGHT - 24.0, text, "middle")]
    parts += [word(2.0, _TOP - 11.0, up_unit), word(_WIDTH - _RIGHT, _HEIGHT - 8.0, across_unit, "end")]
    for course in courses:
        points = [(x(p), y(v)) for p, v in zip(course.at, course.values, strict=True) if math.isfinite(v)]
        if course.kind == "ring":
            parts += [f'<circle class="ring" cx="{a:.1f}" cy="{b:.1f}" r="3"/>' for a, b in points]
        else:
            parts.append(line(points, course.kind))
    return svg(_WIDTH, _HEIGHT, label, parts)
