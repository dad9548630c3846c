"""A stretch of the averaged spectrum that stands out, over the straight line through what lies beside it."""

import math
from collections.abc import Iterator

from autochain.document.axes import across, line, rounds, svg, upright, word
from autochain.page.near import Hump
from autochain.units import frequency

_WIDTH, _HEIGHT, _LEFT, _RIGHT, _TOP, _BOTTOM = 460.0, 190.0, 46.0, 12.0, 22.0, 24.0
_LEAST_DB, _MOST_DB = 6.0, 24.0


def hump_picture(label: str, freq_hz: float, hump: Hump, song: Hump | None) -> str:
    """Draw it; `freq_hz` is marked, and `song` is drawn thin behind where `hump` is that of some places alone."""
    return svg(_WIDTH, _HEIGHT, label, _parts(freq_hz, hump, song))


def _parts(freq_hz: float, hump: Hump, song: Hump | None) -> Iterator[str]:
    width, height = _WIDTH - _LEFT - _RIGHT, _HEIGHT - _TOP - _BOTTOM
    drawn = [*hump.level_db, *hump.beside_db, *(song.level_db if song else [])]
    high = min(_MOST_DB, max(_LEAST_DB, *drawn))
    low = max(-_MOST_DB, min(-_LEAST_DB, *drawn))
    first, last = hump.freq_hz[0], hump.freq_hz[-1]

    def x(hz: float) -> float:
        return _LEFT + width * math.log(hz / first) / math.log(last / first)

    def y(db: float) -> float:
        return _TOP + height * (high - min(high, max(low, db))) / (high - low)

    for level in rounds(low, high, 6):
        yield across(_LEFT, width, y(level))
        yield word(_LEFT - 6.0, y(level) + 4.0, f"{level:+.0f}" if level else "0", "end")
    yield upright(x(freq_hz), _TOP, height, "cue")
    yield line([(x(hz), y(v)) for hz, v in zip(hump.freq_hz, hump.fine_db, strict=True)], "fine")
    if song is not None:
        yield line([(x(hz), y(v)) for hz, v in zip(song.freq_hz, song.level_db, strict=True)], "before")
    yield line([(x(hz), y(v)) for hz, v in zip(hump.freq_hz, hump.level_db, strict=True)], "line")
    yield line([(x(hz), y(v)) for hz, v in zip(hump.freq_hz, hump.beside_db, strict=True)], "target")
    # The middle and both ends: round frequencies do not fit into every third of an octave.
    for hz, anchor in ((first, "start"), (freq_hz, "middle"), (last, "end")):
        yield word(x(hz), _HEIGHT - 8.0, frequency(float(f"{hz:.3g}")), anchor)
    yield word(_LEFT, _TOP - 9.0, "dB")
