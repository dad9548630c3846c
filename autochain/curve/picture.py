"""Costs against loudness as SVG text: a line for the suggestions, dashes and dots for what stands beside them.

Colours come from the page by class. A point may be a link, so that a key or a pointer reaches it.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from html import escape

from autochain.document.axes import across, line, svg, upright, word

_LEFT, _RIGHT, _TOP, _BOTTOM = 40.0, 16.0, 24.0, 40.0
_BUTTON = 'role="button" tabindex="0" data-point="{:g}"'


@dataclass(frozen=True, slots=True, kw_only=True)
class CostLine:
    """One line of a picture: its class, and a value for every loudness; None leaves a gap."""

    kind: str
    values: Sequence[float | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class PointLink:
    """Where a point leads, its words, and the name of its mark on the page; without `href` it is a button."""

    href: str
    words: str
    name: str


def cost_picture(
    label: str,
    unit: str,
    at_lufs: Sequence[float],
    series: Sequence[CostLine],
    links: Sequence[PointLink] = (),
    knee_lufs: float | None = None,
    size: tuple[float, float] = (640.0, 320.0),
    wanted_lufs: float | None = None,
) -> str:
    """SVG of one cost.

    Parameters
    ----------
    label
        What the picture shows.
    unit
        Of the values.
    at_lufs
        Loudness of the points, rising.
    series
        The last is drawn on top and has the points.
    links
        One a loudness, or none.
    knee_lufs
        Where an upright goes.
    size
        Width and height of its own units.
    wanted_lufs
        Where a second upright goes, inside the loudnesses shown.
    """
    width, height = size
    known = [v for one in series for v in one.values if v is not None] or [0.0]
    low = min(0.0, math.floor(min(known) + 0.05))  # a hair under nothing is no reason for another line
    step = _step(max(known) - low)
    top = step * max(1.0, math.ceil(max(known) / step))
    span = (at_lufs[-1] - at_lufs[0]) or 1.0
    edge = 0.04 * (width - _LEFT - _RIGHT)

    def x_of(lufs: float) -> float:
        return _LEFT + edge + (width - _LEFT - _RIGHT - 2 * edge) * (lufs - at_lufs[0]) / span

    def y_of(value: float) -> float:
        return _TOP + (height - _TOP - _BOTTOM) * (top - value) / (top - low)

    def drawn() -> Iterator[str]:
        yield word(2.0, _TOP - 11.0, unit)
        for k in range(math.ceil(low / step), math.floor(top / step) + 1):
            yield across(_LEFT, width - _LEFT - _RIGHT, y_of(k * step))
            yield word(_LEFT - 6.0, y_of(k * step) + 4.0, f"{k * step:g}", "end")
        every = max(1, math.ceil(len(at_lufs) / (width / 45.0)))
        for lufs in at_lufs[::every]:
            yield word(x_of(lufs), height - 22.0, f"{lufs:g}", "middle")
        yield word(width - _RIGHT, height - 6.0, "LUFS", "end")
        if knee_lufs is not None:
            yield upright(x_of(knee_lufs), _TOP, height - _BOTTOM - _TOP, "knee")
            yield word(x_of(knee_lufs), _TOP - 5.0, "knee", "middle")
        if wanted_lufs is not None and at_lufs[0] <= wanted_lufs <= at_lufs[-1]:
            yield upright(x_of(wanted_lufs), _TOP, height - _BOTTOM - _TOP, "wanted")
        for one in series:
            for run in _runs(one.values):
                yield line([(x_of(at_lufs[k]), y_of(one.values[k] or 0.0)) for k in run], one.kind)
        for k, value in enumerate(series[-1].values):
            if value is None:
                continue
            place = f'cx="{x_of(at_lufs[k]):.1f}" cy="{y_of(value):.1f}"'
            if not links:
                yield f'<circle class="dot" {place} r="3"/>'
                continue
            link = links[k]
            tag, role = ("a", f'href="{escape(link.href)}"') if link.href else ("g", _BUTTON.format(at_lufs[k]))
            yield (
                f'<{tag} {role} id="{escape(link.name)}" aria-label="{escape(link.words)}">'
                f'<circle class="reach" {place} r="20"/><circle class="dot" {place} r="5.5"/></{tag}>'
            )

    return svg(width, height, label, drawn(), links=bool(links))


def _step(span: float) -> float:
    """Round distance between lines across, six at most."""
    return next((s for s in (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0) if span / s <= 6.0), 1000.0)


def _runs(values: Sequence[float | None]) -> Iterator[list[int]]:
    """Places of neighbouring values without a gap."""
    run: list[int] = []
    for k, value in enumerate(values):
        if value is not None:
            run.append(k)
        elif run:
            yield run
            run = []
    if run:
        yield run
