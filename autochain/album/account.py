"""What holds of the album as a whole: how well the levels fit, which tracks stand out."""

from collections.abc import Sequence

import numpy as np

from autochain.album.record import Record
from autochain.album.run import Album
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
    ("side_to_mid_db", "side against mid", "dB", 3.0),
)


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
    for name, said, unit, least in WATCHED:
        values = [r.figures[name] for r in done]
        places = outliers(values, least)
        middle = number(float(np.median([v for v in values if v is not None])), unit) if places else ""
        for place in places:
            own = number(values[place], unit)
            found.append((done[place], f"{done[place].title}: {said} {own}, the album's median {middle}."))
    return found
