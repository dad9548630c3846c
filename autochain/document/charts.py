"""Small pictures as SVG text: changes by third octaves, two courses over time.

Colours come from the page by class, so that one picture serves light, dark and paper. Every picture has its words as
a label for those who do not see it.
"""

import math
from collections.abc import Iterator, Sequence

from autochain.document.axes import across, area, head, line, pressed, rounds, svg, times, word
from autochain.units import frequency, frequency_mark

_WIDTH, _HEIGHT = 460.0, 210.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 40.0, 14.0, 22.0, 26.0
_LEAST_SPAN_DB = 3.0


def band_chart(label: str, bands_hz: Sequence[float], changes: Sequence[float], sides: Sequence[float | None]) -> str:
    """Bars up and down from a line of no change, and a tick for the side of each.

    Parameters
    ----------
    label
        What the picture shows.
    bands_hz
        Frequency of each band; every third is printed.
    changes, sides
        dB, one a band; a side without a value has no tick.
    """
    shown = [*changes, *(s for s in sides if s is not None)]
    span = float(max(_LEAST_SPAN_DB, min(12.0, math.ceil(max(map(abs, shown), default=0.0)))))
    step = (_WIDTH - _LEFT - _RIGHT) / max(1, len(bands_hz))
    parts = [*_grid(-span, span, "dB, over Hz", signed=True)]
    for k, (hz, change, side) in enumerate(zip(bands_hz, changes, sides, strict=True)):
        x = _LEFT + step * (k + 0.5)
        y, zero = _y(_held(change, span), -span, span), _y(0.0, -span, span)
        parts.append(
            f'<rect class="bar" x="{x - 0.36 * step:.1f}" y="{min(y, zero):.1f}" width="{0.72 * step:.1f}" '
            f'height="{max(1.0, abs(y - zero)):.1f}"><title>{frequency(hz)}: {change:+.1f} dB</title></rect>'
        )
        if side is not None:
            at = _y(_held(side, span), -span, span)
            parts.append(across(x - 0.45 * step, 0.9 * step, at, "tick"))
        if k % 3 == 1:
            parts.append(word(x, _HEIGHT - 10.0, frequency_mark(hz), "middle"))
    return svg(_WIDTH, _HEIGHT, label, parts)


def chart_over_time(
    label: str,
    at_s: Sequence[float],
    mix: Sequence[float],
    master: Sequence[float],
    held_s: Sequence[tuple[float, float]] = (),
) -> str:
    """Two courses over time: the mix as an area, the master as a line.

    Parameters
    ----------
    label
        What the picture shows.
    at_s
        Times in s, rising, two or more.
    mix, master
        Loudness in LUFS at these times; what is more than 30 LU under the highest lies on the floor.
    held_s
        From when to when a page can play it; there it can be pressed.
    """
    top = 3.0 * math.ceil(max(*mix, *master) / 3.0)
    low = max(3.0 * math.floor(min(*mix, *master) / 3.0), top - 30.0)
    low = min(low, top - 6.0)
    last = max(at_s[-1], 1.0)

    def x(time_s: float) -> float:
        return _LEFT + (_WIDTH - _LEFT - _RIGHT) * time_s / last

    def points(values: Sequence[float]) -> list[tuple[float, float]]:
        return [(x(t), _y(max(v, low), low, top)) for t, v in zip(at_s, values, strict=True)]

    floor = _y(low, low, top)
    parts = [
        area([(x(at_s[0]), floor), *points(mix), (x(at_s[-1]), floor)], "area"),
        *_grid(low, top, "LUFS"),
        line(points(master), "line"),
    ]
    parts += [word(x(t), _HEIGHT - 10.0, f"{t // 60}:{t % 60:02d}", "middle") for t in times(last)]
    for start, stop in held_s:
        if start < last:
            end = min(stop, last)
            parts += pressed(x(start), x(end) - x(start), _TOP, _HEIGHT - _BOTTOM, start, end)
    if held_s:
        parts.append(head(_LEFT, _TOP, _HEIGHT - _BOTTOM, (x(last) - x(0.0)) / last))
    return svg(_WIDTH, _HEIGHT, label, parts)


def _held(value: float, span: float) -> float:
    return min(span, max(-span, value))


def _y(value: float, low: float, top: float) -> float:
    return _TOP + (_HEIGHT - _TOP - _BOTTOM) * (top - value) / (top - low)


def _grid(low: float, top: float, unit: str, signed: bool = False) -> Iterator[str]:
    for level in rounds(low, top, 7):
        y = _y(level, low, top)
        text = f"{level:+g}" if signed and level else f"{level:g}"
        yield across(_LEFT, _WIDTH - _LEFT - _RIGHT, y, "zero" if signed and level == 0.0 else "grid")
        yield word(_LEFT - 5.0, y + 4.0, text, "end")
    yield word(2.0, _TOP - 11.0, unit)
