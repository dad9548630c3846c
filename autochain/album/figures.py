"""What holds of the album as a whole: how well the levels fit, which tracks stand out."""

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from autochain.album.record import Record
from autochain.album.run import Album
from autochain.album.tone import tilt_db
from autochain.log.history import FEWEST, LEAST_DB, RANGES, SAME_SIGN
from autochain.units import number

# Distance from the median in robust standard deviations, 1.4826 median absolute deviations (the factor that makes
# them equal for a normal distribution; F. R. Hampel 1974). The limit of 3 is common practice, no source.
OUTLIER_Z = 3.0
_NORMAL = 1.4826
_FEWEST_TRACKS = 5
# A figure, its name, its unit, and the least distance from the median worth a word (common practice, no source).
WATCHED = (
    ("psr_median_db", "peak over short-term loudness", "dB", 2.0),
    ("loudness_range_lu", "loudness range", "LU", 3.0),
    ("side_to_mid_db", "width (side against mid)", "dB", 3.0),
    ("tilt_db", "tone (bright against dark)", "dB", 3.0),
)
_GAP_S = 1.0  # the same for gaps


def figure_of(record: Record, name: str) -> float | None:
    """A figure of `WATCHED`."""
    return tilt_db(record.balance_db) if name == "tilt_db" else record.figures[name]


def worst_relation_lu(album: Album) -> float | None:
    """Largest error of the loudness difference of any two tracks, LU; None with fewer than two."""
    errors = [float(heard) - r.target_lufs for r in album.done if (heard := r.figures["integrated_lufs"]) is not None]
    return max(errors) - min(errors) if len(errors) > 1 else None


def outliers(values: Sequence[float | None], least: float) -> list[int]:
    """Places of the values that stand out of the rest; none among fewer than five."""
    known = np.array([v for v in values if v is not None])
    if known.size < _FEWEST_TRACKS:
        return []
    middle = float(np.median(known))
    spread = _NORMAL * float(np.median(np.abs(known - middle)))
    limit = max(OUTLIER_Z * spread, least)
    return [k for k, v in enumerate(values) if v is not None and abs(v - middle) > limit]


def standing_out(album: Album) -> list[tuple[Record, str]]:
    """Tracks that stand out in one of `WATCHED`, each with a line that says in what."""
    done, found = album.done, []
    for name, label, unit, least in WATCHED:
        values = [figure_of(r, name) for r in done]
        places = outliers(values, least)
        middle = number(float(np.median([v for v in values if v is not None])), unit) if places else ""
        for place in places:
            own = number(values[place], unit)
            found.append((done[place], f"{done[place].title}: {label} {own}, the album's median {middle}."))
    gaps = gaps_s(album)
    places = outlying_gaps(gaps)
    middle = number(float(np.median([v for v in gaps if v is not None])), "s") if places else ""
    for place in places:
        record = album.tracks[place][1]
        assert isinstance(record, Record)
        own = number(gaps[place], "s")
        found.append((record, f"{record.title}: {own} of silence before the next track, the album's median {middle}."))
    return found


def gaps_s(album: Album) -> list[float | None]:
    """Silence between each track and the next, as they will play; None where one of them is not done."""
    found = [record if isinstance(record, Record) else None for _, record in album.tracks]
    return [one.tail_s + other.head_s if one and other else None for one, other in pairwise(found)]


def outlying_gaps(gaps: Sequence[float | None]) -> list[int]:
    """Places of the gaps that stand out of the rest."""
    return outliers(gaps, _GAP_S)


def median_balance_db(album: Album) -> dict[str, float]:
    """Median over the tracks of each range of their balance."""
    values = {name: [r.balance_db[name] for r in album.done if name in r.balance_db] for name, _, _ in RANGES}
    return {name: float(np.median(own)) for name, own in values.items() if own}


def median_change_db(album: Album) -> dict[str, float]:
    """The same of what the masters changed against their mixes."""
    values = {name: [r.change_db[name] for r in album.done if name in r.change_db] for name, _, _ in RANGES}
    return {name: float(np.median(own)) for name, own in values.items() if own}


def drift(album: Album) -> list[str]:
    """Ranges that the masters moved in common against their mixes, by the limits that `log.history` has for habits."""
    lines = []
    for name, middle in median_change_db(album).items():
        values = [r.change_db[name] for r in album.done if name in r.change_db]
        same = sum(value * middle > 0.0 for value in values)
        if len(values) >= FEWEST and abs(middle) >= LEAST_DB and same >= SAME_SIGN * len(values):
            way = "up" if middle > 0.0 else "down"
            lines.append(f"the {name} {way} {number(abs(middle), 'dB')} ({same} of {len(values)} tracks)")
    return lines
