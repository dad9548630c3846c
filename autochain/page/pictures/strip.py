"""The mix as a strip, with a mark at every place of a finding, which leads to it."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from html import escape

from autochain.document.axes import area, svg, times, upright, word
from autochain.page.near import WaveformExtremes

_WIDTH, _LEFT, _RIGHT, _MARKS, _WAVE, _BOTTOM = 760.0, 6.0, 6.0, 18.0, 64.0, 20.0
_REACH = 7.0  # half the width of what a pointer can hit


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """One place: mix time in s, its words, and the id of the element it leads to."""

    at_s: float
    words: str
    leads_to: str


def strip_picture(label: str, duration_s: float, outline: WaveformExtremes, marks: Sequence[Mark]) -> str:
    """Draw it."""
    return svg(_WIDTH, _MARKS + _WAVE + _BOTTOM, label, _parts(duration_s, outline, marks), links=bool(marks))


def marks_along(
    marks: Sequence[Mark], duration_s: float, left: float, width: float, y: float, height: float
) -> Iterator[str]:
    """A wedge above a lane at every place, each a link, and a fine line down through the lane."""
    for mark in marks:
        x = left + width * mark.at_s / max(duration_s, 1e-9)
        words = escape(mark.words)
        yield (
            f'<a class="mark" href="#{escape(mark.leads_to)}" aria-label="{words}"><title>{words}</title>'
            f'<rect class="reach" x="{x - _REACH:.1f}" y="{y - 12.0:.1f}" width="{2.0 * _REACH:.1f}" '
            f'height="{height + 12.0:.1f}"/>'
            f'<path d="M{x - 5.0:.1f} {y - 11.0:.1f}h10l-5 9z"/>{upright(x, y, height, "stem")}</a>'
        )


def _parts(duration_s: float, outline: WaveformExtremes, marks: Sequence[Mark]) -> Iterator[str]:
    width, middle, half = _WIDTH - _LEFT - _RIGHT, _MARKS + _WAVE / 2.0, _WAVE / 2.0
    most = max([1e-9, *map(abs, outline.highest), *map(abs, outline.lowest)])
    step = width / max(1, len(outline.highest))

    def points(values: Sequence[float]) -> list[tuple[float, float]]:
        return [(_LEFT + step * (k + 0.5), middle - half * v / most) for k, v in enumerate(values)]

    yield area([*points(outline.highest), *reversed(points(outline.lowest))], "wave")
    for second in times(duration_s):
        x = _LEFT + width * second / max(duration_s, 1e-9)
        anchor = "start" if second == 0 else "end" if x > _WIDTH - _RIGHT - 24.0 else "middle"
        yield word(x, _MARKS + _WAVE + 15.0, f"{second // 60}:{second % 60:02d}", anchor)
    yield from marks_along(marks, duration_s, _LEFT, width, _MARKS, _WAVE)
