"""The outside judges together: what each says of a master, and their mean rank over the masters of one mix.

They disagree by design. Noise over mask and the hearing index follow clipping and hardly mind slow gain; distance,
opinion and similarity follow both, gain most. None was held against listeners on masters at equal loudness, so they
are a panel of ranks, and nothing is added up.
"""

from collections.abc import Callable, Mapping, Sequence

import numpy as np
from scipy.stats import rankdata

from judges.hearing import index_lost
from judges.mean_opinion import opinion_lost
from judges.noise_to_mask import noise_to_mask_db
from judges.perceptual_distance import perceptual_distance
from judges.protocol import Pair
from judges.similarity import similarity_lost

# Each gives less for a master that differs less.
JUDGES: Mapping[str, Callable[[Pair], float]] = {
    "noise_to_mask_db": lambda heard: noise_to_mask_db(heard)["nmr_db"],
    "distance": perceptual_distance,
    "opinion_lost": opinion_lost,
    "index_lost": index_lost,
    "similarity_lost": similarity_lost,
}
# What a master cannot be told from its mix by: less than this is no difference. A clip 1 dB under the highest peak of
# rock, or a gain that swings by 0.2 dB at 4 Hz, whichever reads more (`bench_judges.py`).
HARMLESS = {
    "noise_to_mask_db": -45.0, "distance": 1e-5, "opinion_lost": 1.0, "index_lost": 0.002, "similarity_lost": 0.0005,
}  # fmt: skip


def readings(heard: Pair, judges: Sequence[str] = tuple(JUDGES)) -> dict[str, float]:
    """What every judge says."""
    return {name: JUDGES[name](heard) for name in judges}


def mean_rank(masters: Sequence[Mapping[str, float]]) -> list[float]:
    """Mean over judges of a master's rank among the masters of one mix; 1 is the best, what is harmless ties."""
    names = list(masters[0])
    values = np.array([[max(one[name], HARMLESS[name]) for name in names] for one in masters])
    return [float(rank) for rank in rankdata(values, axis=0).mean(axis=1)]
