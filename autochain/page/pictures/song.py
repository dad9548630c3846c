"""The whole song on one axis of time: the mix's waveform, loudness before and after, and what each stage takes."""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from autochain.document.axes import across, area, head, line, pressed, rounds, svg, times, upright, word
from autochain.page.pictures.strip import Mark, marks_along
from autochain.units import clock

_WIDTH, _LEFT, _RIGHT = 760.0, 46.0, 10.0
_TOP, _WAVE, _LOUDNESS, _STAGE, _GAP, _BOTTOM = 32.0, 84.0, 150.0, 46.0, 26.0, 26.0
_LOWEST_LU = 24.0  # under the loudest
_REACH = 6.0  # half the width of what a pointer can press


@dataclass(frozen=True, slots=True, kw_only=True)
class SongCurves:
    """What the picture shows.

    Attributes
    ----------
    duration_s
        Length of the mix.
    highest, lowest
        Extremes of the mix's waveform in equal parts of the song.
    further
        1 where the waveform reaches further up, -1 where further down, 0 where it is even.
    at_s, mix_lufs, master_lufs
        Short-term loudness over time.
    target_lufs
        The loudness wanted.
    reductions_db
        By label of the stage, the largest reduction in equal parts of the song; negative where level is added.
    cues_s
        Times to listen at.
    """

    duration_s: float
    highest: Sequence[float]
    lowest: Sequence[float]
    further: int
    at_s: Sequence[float]
    mix_lufs: Sequence[float]
    master_lufs: Sequence[float]
    target_lufs: float
    reductions_db: Mapping[str, Sequence[float]]
    cues_s: Sequence[float]


def song_picture(
    label: str,
    song: SongCurves,
    marks: Sequence[Mark] = (),
    held_s: Sequence[tuple[float, float]] = (),
    master: str = "suggestion",
) -> str:
    """Draw it.

    Parameters
    ----------
    label
        What it shows.
    song
        What is drawn.
    marks
        Places of findings, above the waveform.
    held_s
        From when to when a page can play it; there it can be pressed, and so can the times to listen at.
    master
        What the line of loudness is of.
    """
    height = _TOP + _WAVE + _GAP + _LOUDNESS + len(song.reductions_db) * (_GAP + _STAGE) + _BOTTOM
    parts: list[str] = []
    bottom = height - _BOTTOM
    parts += [upright(_x(cue, song), _TOP, bottom - _TOP, "cue") for cue in song.cues_s]
    parts += _wave(song, _TOP)
    y = _TOP + _WAVE + _GAP
    parts += _loudness(song, y, master)
    y += _LOUDNESS
    most = max([1.0, *(max(map(abs, values), default=0.0) for values in song.reductions_db.values())])
    for name, values in song.reductions_db.items():
        y += _GAP
        parts += _stage(name, values, y, float(math.ceil(most)))
        y += _STAGE
    for second in times(song.duration_s):
        x = _x(second, song)
        # At the ends inward: words are larger on a phone, and would run into the scale or out of the picture.
        anchor = "start" if second == 0 else "end" if x > _WIDTH - _RIGHT - 24.0 else "middle"
        parts.append(word(x, height - 4.0, f"{second // 60}:{second % 60:02d}", anchor))
    # Last, so that nothing lies over what can be pressed.
    if held_s:
        parts += _playable(song, bottom, held_s)
    parts += marks_along(marks, song.duration_s, _LEFT, _WIDTH - _LEFT - _RIGHT, _TOP, _WAVE)
    return svg(_WIDTH, height, label, parts, links=bool(marks))


def _playable(song: SongCurves, bottom: float, held_s: Sequence[tuple[float, float]]) -> Iterator[str]:
    """What a pointer presses, and a line for the player's place; the list of times and the slider do the same."""
    y = f'y="{_TOP:.1f}" height="{bottom - _TOP:.1f}"'
    for start, stop in held_s:
        yield from pressed(_x(start, song), _x(stop, song) - _x(start, song), _TOP, bottom, start, stop)
    for cue in song.cues_s:
        x = _x(cue, song) - _REACH
        yield (
            f'<rect class="reach" data-time="{cue:.2f}" x="{x:.1f}" {y} width="{2.0 * _REACH:.1f}">'
            f"<title>play {clock(cue)}</title></rect>"
        )
    step = (_x(song.duration_s, song) - _x(0.0, song)) / max(song.duration_s, 1e-9)
    yield head(_LEFT, _TOP, bottom, step)


def _x(time_s: float, song: SongCurves) -> float:
    return _LEFT + (_WIDTH - _LEFT - _RIGHT) * time_s / max(song.duration_s, 1e-9)


def _even(count: int) -> Iterator[float]:
    """Places of equal parts of the song."""
    step = (_WIDTH - _LEFT - _RIGHT) / max(1, count)
    return (_LEFT + step * (k + 0.5) for k in range(count))


def _wave(song: SongCurves, y: float) -> Iterator[str]:
    middle, half = y + _WAVE / 2.0, _WAVE / 2.0
    top = max([1e-9, *map(abs, song.highest), *map(abs, song.lowest)])
    for values, side in ((song.highest, 1), (song.lowest, -1)):
        points = [(x, middle - half * v / top) for x, v in zip(_even(len(values)), values, strict=True)]
        yield area([(_LEFT, middle), *points, (_WIDTH - _RIGHT, middle)], "further" if side == song.further else "wave")
    even = "waveform of the mix"
    side_named = {1: f"{even}; its upper side reaches further", -1: f"{even}; its lower side reaches further"}
    yield word(_LEFT + 4.0, y - 18.0, side_named.get(song.further, even))


def _loudness(song: SongCurves, y: float, master: str) -> Iterator[str]:
    everything = [*song.mix_lufs, *song.master_lufs, song.target_lufs]
    high = 2.0 * math.ceil((max(everything) + 0.5) / 2.0)
    low = max(2.0 * math.floor((min(everything) - 0.5) / 2.0), high - _LOWEST_LU)

    def at(lufs: float) -> float:
        return y + _LOUDNESS * (high - max(low, lufs)) / (high - low)

    def points(values: Sequence[float]) -> list[tuple[float, float]]:
        return [(_x(t, song), at(v)) for t, v in zip(song.at_s, values, strict=True)]

    for level in rounds(low, high, 6):
        yield across(_LEFT, _WIDTH - _LEFT - _RIGHT, at(level))
        yield word(_LEFT - 6.0, at(level) + 4.0, f"{level:.0f}", "end")
    if song.at_s:
        mix = points(song.mix_lufs)
        yield area([(mix[0][0], at(low)), *mix, (mix[-1][0], at(low))], "area")
        yield line(points(song.master_lufs), "line")
    yield across(_LEFT, _WIDTH - _LEFT - _RIGHT, at(song.target_lufs), "target")
    yield word(_LEFT + 4.0, y - 8.0, f"loudness of 3 s, LUFS: mix (area), {master} (line), wanted (dashes)")


def _stage(name: str, values: Sequence[float], y: float, most: float) -> Iterator[str]:
    yield across(_LEFT, _WIDTH - _LEFT - _RIGHT, y, "zero")
    yield across(_LEFT, _WIDTH - _LEFT - _RIGHT, y + _STAGE)
    yield word(_LEFT - 6.0, y + 4.0, "0", "end")
    yield word(_LEFT - 6.0, y + _STAGE + 4.0, f"{most:.0f}", "end")
    adds = min(values, default=0.0) < -max(values, default=0.0)
    down = [max(0.0, -v if adds else v) for v in values]
    points = [(x, y + _STAGE * v / most) for x, v in zip(_even(len(down)), down, strict=True)]
    yield area([(_LEFT, y), *points, (_WIDTH - _RIGHT, y)], "added" if adds else "taken")
    yield word(_LEFT + 4.0, y - 8.0, f"{name} {'adds' if adds else 'takes'}, dB")
