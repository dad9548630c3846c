"""Places of the song to hear: where most of the times to listen from lie, the loudest part before all."""

from collections.abc import Sequence
from dataclasses import dataclass

WINDOW_S = 5.0
_LEAD_S = 0.5  # before a time to listen from
_HEARD_S = 2.0  # of a time to listen from: what is to be heard comes a second later


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """A stretch of mix time, and where it begins in the page's sound."""

    start_s: float
    stop_s: float
    at_s: float


def excerpts(duration_s: float, loudest_s: float, cues_s: Sequence[float], total_s: float) -> tuple[Window, ...]:
    """Stretches of `WINDOW_S` that together last `total_s` at most, one behind the other in the page's sound.

    Parameters
    ----------
    duration_s
        Length of the mix; one that is hardly longer than `total_s` is heard whole.
    loudest_s
        Start of the loudest 3 s.
    cues_s
        Times to listen from.
    total_s
        How much the page may hold.
    """
    if duration_s <= total_s * 1.1:
        return (Window(start_s=0.0, stop_s=duration_s, at_s=0.0),)
    starts = _starts(duration_s, loudest_s, cues_s, int(total_s / WINDOW_S))
    return tuple(
        Window(start_s=start, stop_s=start + WINDOW_S, at_s=WINDOW_S * number) for number, start in enumerate(starts)
    )


def places(duration_s: float, loudest_s: float, cues_s: Sequence[float]) -> tuple[Window, ...]:
    """Stretches to repeat where the page plays whole songs: as many as hold all times to listen from."""
    return tuple(
        Window(start_s=start, stop_s=min(start + WINDOW_S, duration_s), at_s=start)
        for start in _starts(duration_s, loudest_s, cues_s, 1 + len(cues_s))
    )


def _starts(duration_s: float, loudest_s: float, cues_s: Sequence[float], most: int) -> list[float]:
    """Where stretches begin that do not overlap: the loudest 3 s, then those with the most times to listen from."""
    last = max(0.0, duration_s - WINDOW_S)
    starts = [min(last, max(0.0, loudest_s - 1.0))]
    rest = sorted({round(cue, 2) for cue in cues_s if not starts[0] <= cue <= starts[0] + WINDOW_S - _HEARD_S})
    while rest and len(starts) < most:
        options = [min(last, max(0.0, cue - _LEAD_S)) for cue in rest]
        free = [s for s in options if all(abs(s - taken) >= WINDOW_S for taken in starts)]
        if not free:
            break
        best = max(free, key=lambda s: (sum(s <= cue <= s + WINDOW_S - _HEARD_S for cue in rest), -s))
        starts.append(best)
        rest = [cue for cue in rest if not best <= cue <= best + WINDOW_S - _HEARD_S]
    return sorted(starts)
