"""The waveform around a place: a lane a channel, a dot a sample where there is room for them."""

from collections.abc import Iterator

from autochain.document.axes import across, line, rounds, svg, upright, word
from autochain.page.near import Waveform

_WIDTH, _LEFT, _RIGHT, _TOP, _LANE, _GAP, _BOTTOM = 460.0, 46.0, 12.0, 20.0, 96.0, 20.0, 24.0
_LEAST_TOP = 1e-4  # of full scale: silence is drawn as a line, and not its dither as a mountain
_REACHED = 0.99  # the two sides of a waveform need not be cut off at the same height


def waveform_picture(label: str, wave: Waveform, *, edges: bool = False) -> str:
    """Draw it; a line upright marks the place, and with `edges` a level one where a lane reaches the highest magnitude.

    Both lanes have one scale, so that they compare.
    """
    height = _TOP + len(wave.lanes) * _LANE + (len(wave.lanes) - 1) * _GAP + _BOTTOM
    return svg(_WIDTH, height, label, _parts(wave, height, edges))


def _parts(wave: Waveform, height: float, edges: bool) -> Iterator[str]:
    width, start, stop = _WIDTH - _LEFT - _RIGHT, wave.start_ms, wave.stop_ms
    most = max([_LEAST_TOP, *(abs(v) for _, _, values in wave.lanes for v in values)])

    def x(ms: float) -> float:
        return _LEFT + width * (ms - start) / max(1e-9, stop - start)

    for k, (name, at_ms, values) in enumerate(wave.lanes):
        top = _TOP + k * (_LANE + _GAP)
        middle, half = top + _LANE / 2.0, _LANE / 2.0
        yield across(_LEFT, width, middle)
        yield word(_LEFT - 6.0, top + 4.0, f"{most:.2g}", "end")
        yield word(_LEFT - 6.0, middle + 4.0, "0", "end")
        yield word(_LEFT, top - 6.0, f"{name}, full scale 1" if name else "full scale 1")
        for value in (min(values), max(values)) if edges else ():
            if abs(value) >= _REACHED * most:
                yield across(_LEFT, width, middle - half * value / most, "target")
        if start <= 0.0 <= stop:
            yield upright(x(0.0), top, _LANE, "cue")
        points = [(x(t), middle - half * v / most) for t, v in zip(at_ms, values, strict=True)]
        yield line(points, "thin")
        if wave.single:
            yield "".join(f'<circle class="dot" cx="{px:.1f}" cy="{py:.1f}" r="1.3"/>' for px, py in points)
    for ms in rounds(start, stop, 7):
        yield word(x(ms), height - 8.0, f"{ms:+g} ms" if ms else "0", "middle")
