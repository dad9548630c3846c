"""What the equalisers do over frequency, and the phase that a rotation turns."""

import math
from collections.abc import Iterator, Sequence

from autochain.document.axes import across, line, rounds, svg, upright, word
from autochain.units import frequency_mark

_WIDTH, _HEIGHT, _LEFT, _RIGHT, _TOP, _BOTTOM = 460.0, 190.0, 46.0, 12.0, 22.0, 24.0
_LOW_HZ, _HIGH_HZ = 20.0, 20_000.0
_NAMED_HZ = (31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16_000.0)


def response_picture(
    label: str, unit: str, freq_hz: Sequence[float], curves: Sequence[tuple[str, Sequence[float]]], least: float
) -> str:
    """Draw curves over frequency.

    Parameters
    ----------
    label
        What the picture shows.
    unit
        `dB` or `degrees`.
    freq_hz
        Frequencies, rising.
    curves
        Class of each line (`line` or `second`) and its values.
    least
        Smallest range shown to either side of 0.
    """
    values = [v for _, curve in curves for v in curve]
    high, low = max(least, *values), min(-least, *values)
    return svg(_WIDTH, _HEIGHT, label, _parts(unit, freq_hz, curves, low, high))


def _parts(
    unit: str, freq_hz: Sequence[float], curves: Sequence[tuple[str, Sequence[float]]], low: float, high: float
) -> Iterator[str]:
    width, height = _WIDTH - _LEFT - _RIGHT, _HEIGHT - _TOP - _BOTTOM

    def x(hz: float) -> float:
        return _LEFT + width * math.log(hz / _LOW_HZ) / math.log(_HIGH_HZ / _LOW_HZ)

    def y(value: float) -> float:
        return _TOP + height * (high - value) / (high - low)

    for level in rounds(low, high, 6):
        yield across(_LEFT, width, y(level), "zero" if level == 0.0 else "grid")
        yield word(_LEFT - 6.0, y(level) + 4.0, f"{level:+.0f}" if level else "0", "end")
    for hz in _NAMED_HZ:
        yield upright(x(hz), _TOP, height)
    for hz in _NAMED_HZ:
        yield word(x(hz), _HEIGHT - 8.0, frequency_mark(hz), "middle")
    for kind, curve in curves:
        yield line([(x(hz), y(v)) for hz, v in zip(freq_hz, curve, strict=True)], kind)
    yield word(_LEFT, _TOP - 9.0, f"{unit}, over Hz")
