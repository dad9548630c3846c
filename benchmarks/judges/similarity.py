"""Fifth judge: similarity of two gammatone pictures in audio mode, from the package `visqol-python` (3.8).

A. Hines, E. Gillen, D. Kelly, J. Skoglund, A. Kokaram, N. Harte, J. Acoust. Soc. Am. 137 (2015) EL449. Its opinion
score is too coarse for what masters differ by, so the similarity itself is read. It hears the mean of the channels,
matches level and delay itself, and was made for coded music, not for masters at equal loudness.
Install it with `pip install --no-deps visqol-python libsvm-official`.
"""

from functools import cache

import numpy as np
from visqol import VisqolApi

from judges.protocol import RATE_HZ, Pair


@cache
def _judge() -> VisqolApi:
    judge = VisqolApi()
    judge.create(mode="audio")
    return judge


def similarity_lost(heard: Pair) -> float:
    """One less the mean similarity over stretches: 0 is the best."""
    found = [
        _judge().measure_from_arrays(x.mean(axis=1), y.mean(axis=1), sample_rate=RATE_HZ).vnsim
        for x, y in zip(heard.reference, heard.master, strict=True)
    ]
    return 1.0 - float(np.mean(found))
