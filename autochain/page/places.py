"""Places of the song to hear: where most of the times to listen from lie, the loudest part before all."""

from collections.abc import Sequence
from dataclasses import dataclass

WINDOW_S = 5.0
_LEAD_S = 0.5  # before a time to listen from
_HEARD_S = 2.0  # of a time to listen from: what is to be heard comes a second later


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """A stretch of mix time, and where it begins in the page's sound; `song` names its song where there are several."""

    start_s: float
    stop_s: float
    at_s: float
    song: str = ""


def excerpts(
    duration_s: float, loudest_s: float, cues_s: Sequence[float], total_s: float, more_s: Sequence[float] = ()
) -> tuple[Window, ...]:
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
        How much the page may hold; one stretch it always does.
    more_s
        Further times, where room is left.
    """
    if duration_s <= total_s * 1.1:
        return (Window(start_s=0.0, stop_s=duration_s, at_s=0.0),)
    starts = _starts(duration_s, loudest_s, cues_s, int(total_s / WINDOW_S), more_s)
    return tuple(
        Window(start_s=start, stop_s=start + WINDOW_S, at_s=WINDOW_S * number) for number, start in enumerate(starts)
    )


def places(duration_s: float, loudest_s: float, cues_s: Sequence[float]) -> tuple[Window, ...]:
    """Stretches to repeat where the page plays whole songs: as many as hold all times to listen from."""
    return tuple(
        Window(start_s=start, stop_s=min(start + WINDOW_S, duration_s), at_s=start)
        for start in _starts(duration_s, loudest_s, cues_s, 1 + len(cues_s))
    )


def _starts(
    duration_s: float, loudest_s: float, cues_s: Sequence[float], most: int, more_s: Sequence[float] = ()
) -> list[float]:
    """Where stretches begin that do not overlap: the loudest 3 s, then those with the most times to listen from."""
    last = max(0.0, duration_s - WINDOW_S)
    starts = [min(last, max(0.0, loudest_s - 1.0))]
    for times_s in (cues_s, more_s):
        rest = sorted({round(cue, 2) for cue in times_s if not any(_heard(start, cue) for start in starts)})
        while rest and len(starts) < most:
            options = [min(last, max(0.0, cue - _LEAD_S)) for cue in rest]
            free = [s for s in options if all(abs(s - taken) >= WINDOW_S for taken in starts)]
            if not free:
                break
            best = max(free, key=lambda s: (sum(_heard(s, cue) for cue in rest), -s))
            starts.append(best)
            rest = [cue for cue in rest if not _heard(best, cue)]
    return sorted(starts)


def _heard(start_s: float, cue_s: float) -> bool:
    return start_s <= cue_s <= start_s + WINDOW_S - _HEARD_S
