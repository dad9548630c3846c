"""The balance of mix and master by third octaves, before that of the references."""

from collections.abc import Iterator, Sequence

from autochain.document.axes import across, area, line, rounds, svg, word
from autochain.units import frequency_mark

_WIDTH, _HEIGHT, _LEFT, _RIGHT, _TOP, _BOTTOM = 460.0, 210.0, 46.0, 12.0, 22.0, 24.0
_LEAST_SPAN_DB, _MOST_SPAN_DB = 12.0, 48.0

_Levels = Sequence[float | None]


def balance_picture(
    label: str, bands_hz: Sequence[float], mix_db: _Levels, master_db: _Levels, references_db: Sequence[_Levels]
) -> str:
    """Draw them.

    Parameters
    ----------
    label
        What the picture shows.
    bands_hz
        Names of the bands, rising.
    mix_db, master_db
        Level of every band in dB of the whole; None where there is nothing.
    references_db
        The lowest, the median and the highest of the references, or nothing.
    """
    known = [v for row in (mix_db, master_db, *references_db) for v in row if v is not None]
    if not known:
        return svg(_WIDTH, _HEIGHT, label, [])
    high = max(known)
    low = min(high - _LEAST_SPAN_DB, max(high - _MOST_SPAN_DB, min(known)))
    return svg(_WIDTH, _HEIGHT, label, _parts(bands_hz, mix_db, master_db, references_db, low, high))


def _parts(
    bands_hz: Sequence[float],
    mix_db: _Levels,
    master_db: _Levels,
    references_db: Sequence[_Levels],
    low: float,
    high: float,
) -> Iterator[str]:
    width, height = _WIDTH - _LEFT - _RIGHT, _HEIGHT - _TOP - _BOTTOM
    step = width / max(1, len(bands_hz))

    def points(values: _Levels) -> list[tuple[float, float]]:
        return [
            (_LEFT + step * (k + 0.5), _TOP + height * (high - max(low, v)) / (high - low))
            for k, v in enumerate(values)
            if v is not None
        ]

    if references_db:
        lowest, _, highest = references_db
        yield area([*points(highest), *reversed(points(lowest))], "area")
    for level in rounds(low, high, 6):
        y = _TOP + height * (high - level) / (high - low)
        yield across(_LEFT, width, y)
        yield word(_LEFT - 6.0, y + 4.0, f"{level:+.0f}" if level else "0", "end")
    for k, hz in enumerate(bands_hz):
        if k % 3 == 1:
            yield word(_LEFT + step * (k + 0.5), _HEIGHT - 8.0, frequency_mark(hz), "middle")
    if references_db:
        yield line(points(references_db[1]), "median")
    yield line(points(mix_db), "before")
    yield line(points(master_db), "line")
    yield word(_LEFT, _TOP - 9.0, "dB of the whole, over Hz")
