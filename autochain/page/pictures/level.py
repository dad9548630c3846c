"""The level around a place: one line a channel."""

import math
from collections.abc import Iterator

from autochain.document.axes import across, line, rounds, svg, upright, word
from autochain.page.near import LevelOverTime

_WIDTH, _HEIGHT, _LEFT, _RIGHT, _TOP, _BOTTOM = 460.0, 180.0, 46.0, 12.0, 22.0, 24.0
_LEAST_SPAN_DB = 12.0


def level_picture(label: str, course: LevelOverTime, most_span_db: float) -> str:
    """Draw it, no more than a span under the loudest; a line upright marks the place."""
    if not course.at_s:
        return svg(_WIDTH, _HEIGHT, label, [])
    return svg(_WIDTH, _HEIGHT, label, _parts(course, most_span_db))


def _parts(course: LevelOverTime, most_span_db: float) -> Iterator[str]:
    width, height = _WIDTH - _LEFT - _RIGHT, _HEIGHT - _TOP - _BOTTOM
    everything = [v for _, values in course.lanes for v in values]
    high = 3.0 * math.ceil((max(everything) + 0.5) / 3.0)
    low = max(high - most_span_db, 3.0 * math.floor(min(min(everything), high - _LEAST_SPAN_DB) / 3.0))
    start, stop = course.at_s[0], course.at_s[-1]

    def x(s: float) -> float:
        return _LEFT + width * (s - start) / max(1e-9, stop - start)

    def y(db: float) -> float:
        return _TOP + height * (high - max(low, db)) / (high - low)

    for level in rounds(low, high, 6):
        yield across(_LEFT, width, y(level))
        yield word(_LEFT - 6.0, y(level) + 4.0, f"{level:.0f}", "end")
    if start <= 0.0 <= stop:
        yield upright(x(0.0), _TOP, height, "cue")
    for (_, values), kind in zip(course.lanes, ("line", "second"), strict=False):
        yield line([(x(t), y(v)) for t, v in zip(course.at_s, values, strict=True)], kind)
    for s in rounds(start, stop, 8):
        yield word(x(s), _HEIGHT - 8.0, f"{s:+g} s" if s else "0", "middle")
    yield word(_LEFT, _TOP - 9.0, "dB: left (line), right (dashes)" if len(course.lanes) > 1 else "dB")
