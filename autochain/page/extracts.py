"""Places of findings to hear: 3 s each, softly levelled, as many as a page has room for."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from autochain.audio.mix import Samples
from autochain.audio.resample import resampled
from autochain.measure.loudness import integrated_lufs, weighted_hops
from autochain.page.words16 import BUDGET_BYTES, HIGHEST_HZ, flac_of, highest, soft_edges, words_of
from autochain.units import linear_to_db, number

LENGTH_S, LEAD_S = 3.0, 1.0
# Soft enough that nothing jumps out of the loudspeakers, loud enough to hear a click. A limit of this project.
LOUDNESS_LUFS, PEAK_DBFS = -26.0, -12.0
_MOST_UP_DB = 30.0  # a pause stays a pause
_EDGE_S = 0.01
_SEED = 1

LEVELLED = (
    f"Every place plays {number(LENGTH_S, 's', 0)}, from about {number(LEAD_S, 's', 0)} before it on, turned to "
    f"{number(LOUDNESS_LUFS, 'LUFS', 0)} or less with its peaks at {number(PEAK_DBFS, 'dBFS', 0)} or less, however "
    "loud it is in the mix."
)

# Places in a finding first, so that each finding keeps its first place longest; then what sends a mix back.
Rank = tuple[int, bool, int, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class Extract:
    """One place: a name that is its own on the page, its rank (lowest first), what it was turned by, and its FLAC."""

    name: str
    rank: Rank
    gain_db: float
    flac: str


def span_s(at_s: float, duration_s: float) -> tuple[float, float]:
    """From when to when a place is heard, inside the mix."""
    start = max(0.0, min(at_s - LEAD_S, duration_s - LENGTH_S))
    return start, min(duration_s, start + LENGTH_S)


def extract_of(samples: Samples, rate_hz: int, name: str, rank: Rank, *, opens: bool, closes: bool) -> Extract:
    """Level and pack one place.

    Parameters
    ----------
    samples
        Shape (frames, channels). One channel plays from both loudspeakers and is levelled as such.
    rate_hz
        Sample rate; higher ones than 48 kHz are lowered.
    name, rank
        Of the extract.
    opens, closes
        Whether it is the beginning or the end of the mix, which are left as they are; other edges are made soft.
    """
    lower_hz = min(rate_hz, HIGHEST_HZ)
    sound = soft_edges(resampled(samples, rate_hz, lower_hz), lower_hz, _EDGE_S, start=not opens, stop=not closes)
    loudness = integrated_lufs(weighted_hops(np.repeat(sound, 2 // sound.shape[1], axis=1), lower_hz))
    # Dither and rounding add a step and a half of 16 bits, 0.002 dB of a peak at -12 dBFS.
    gains = [_MOST_UP_DB, PEAK_DBFS - 0.01 - linear_to_db(highest(sound))]
    if loudness is not None:
        gains.append(LOUDNESS_LUFS - loudness)
    gain_db = min(gains)
    return Extract(name=name, rank=rank, gain_db=gain_db, flac=flac_of(words_of(sound, gain_db, _SEED), lower_hz))


class Room:
    """What of all extracts fits on a page; who comes later may push out what ranks behind.

    Parameters
    ----------
    budget_bytes
        Base64 of all together.
    """

    def __init__(self, budget_bytes: int = BUDGET_BYTES) -> None:
        self._budget, self._kept = budget_bytes, dict[str, Extract]()

    def put(self, extracts: Iterable[Extract]) -> None:
        """Add some. What fell out earlier would fall out now: nothing that ranks before it goes away."""
        kept, taken = dict[str, Extract](), 0
        for one in sorted([*self._kept.values(), *extracts], key=lambda one: one.rank):
            if one.name in kept:
                continue  # two findings at one place: one sound
            taken += len(one.flac)
            if taken > self._budget:
                break
            kept[one.name] = one
        self._kept = kept

    @property
    def kept(self) -> Mapping[str, Extract]:
        """Extracts by name."""
        return self._kept
