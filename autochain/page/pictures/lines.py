"""Steady lines in the low end of the spectrum: what the mains put into a recording."""

import math
from collections.abc import Iterator, Sequence

from autochain.document.axes import across, line, rounds, svg, upright, word

_WIDTH, _HEIGHT, _LEFT, _RIGHT, _TOP, _BOTTOM = 460.0, 190.0, 46.0, 12.0, 22.0, 24.0
_MOST_SPAN_DB = 60.0


def lines_picture(label: str, freq_hz: Sequence[float], level_db: Sequence[float], marked_hz: Sequence[float]) -> str:
    """Draw levels over frequencies, one or more, and mark some of these."""
    return svg(_WIDTH, _HEIGHT, label, _parts(freq_hz, level_db, marked_hz))


def _parts(freq_hz: Sequence[float], level_db: Sequence[float], marked_hz: Sequence[float]) -> Iterator[str]:
    width, height = _WIDTH - _LEFT - _RIGHT, _HEIGHT - _TOP - _BOTTOM
    first, last = freq_hz[0], freq_hz[-1]
    high = 3.0 * math.ceil((max(level_db) + 1.0) / 3.0)
    low = max(high - _MOST_SPAN_DB, 3.0 * math.floor(min(level_db) / 3.0))

    def x(hz: float) -> float:
        return _LEFT + width * (hz - first) / max(1e-9, last - first)

    def y(db: float) -> float:
        return _TOP + height * (high - max(low, db)) / max(1e-9, high - low)

    for level in rounds(low, high, 6):
        yield across(_LEFT, width, y(level))
        yield word(_LEFT - 6.0, y(level) + 4.0, f"{level:.0f}", "end")
    for hz in marked_hz:
        yield upright(x(hz), _TOP, height, "cue")
    yield line([(x(hz), y(v)) for hz, v in zip(freq_hz, level_db, strict=True)], "thin")
    named = marked_hz or [50.0 * k for k in range(1, 9)]
    for hz in named:
        yield word(x(hz), _HEIGHT - 8.0, f"{hz:g}", "middle")
    yield word(_LEFT, _TOP - 9.0, "dBFS, over Hz")
