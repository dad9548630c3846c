"""Fourth judge: HAAQI, a quality index for music, at normal hearing, from the package `pyclarity` (0.9).

J. M. Kates, K. H. Arehart, IEEE TASLP 24(2), 2016, 354: envelope modulation, coherence of what the basilar membrane
does, and long-term spectrum, by a model of the ear that was fitted to listeners' ratings of processed music. It follows
clipping and coarse quantising and hardly minds slow gain; it hears nothing above about 10 kHz. It was not held against
listeners on masters at equal loudness.

A minute and a half of processor time for a minute of one channel, so it hears the loudest stretch alone.
Install it without what it asks for beside this model (6 GB): `pip install --no-deps pyclarity`.
"""

import logging

import numpy as np
from clarity.evaluator.haaqi import compute_haaqi
from clarity.utils.audiogram import Audiogram

from judges.protocol import RATE_HZ, Floats, Pair, loudness_lufs

LEVEL_DB_SPL = 83.0  # of the rms of what is judged; common practice, no source
_NORMAL = Audiogram(levels=np.zeros(6), frequencies=np.array([250, 500, 1000, 2000, 4000, 6000]))


def index_of(reference: Floats, master: Floats) -> float:
    """The lower index of both channels, 0 to 1; what is no different has about 0.97."""
    logging.getLogger("clarity").setLevel(logging.ERROR)
    found = []
    for x, y in zip(reference.T, master.T, strict=True):
        level = LEVEL_DB_SPL - 20.0 * np.log10(np.sqrt(np.mean(np.square(x))) + 1e-12)
        found.append(compute_haaqi(y, x, RATE_HZ, RATE_HZ, _NORMAL, equalisation=1, level1=level))
    return float(min(found))


def index_lost(heard: Pair) -> float:
    """Index lost on the loudest stretch: 0 is the best."""
    loudest = int(np.argmax([loudness_lufs([one]) for one in heard.reference]))
    reference, master = heard.reference[loudest], heard.master[loudest]
    return index_of(reference, reference) - index_of(reference, master)
