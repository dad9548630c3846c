"""Second judge: the perceptual distance of the package `zimtohrli` (0.2.1). Follows gain, hardly minds clipping.

It models loudness in 128 bands over time and compares the two pictures: 0 is no difference. What it gives is small
and without a unit, so only ratios between masters of one mix mean something. By its documentation a full-scale
sine stands for 80 dB SPL. It takes mono at 48 kHz; the distance of a song is the mean over stretches and channels.
"""

import numpy as np
import zimtohrli

from judges.protocol import RATE_HZ, Pair


def perceptual_distance(heard: Pair) -> float:
    """Mean distance over stretches and channels."""
    judge = zimtohrli.Pyohrli()
    assert judge.sample_rate == RATE_HZ
    return float(
        np.mean(
            [
                judge.distance(np.ascontiguousarray(x), np.ascontiguousarray(y))
                for reference, master in zip(heard.reference, heard.master, strict=True)
                for x, y in zip(reference.T, master.T, strict=True)
            ]
        )
    )
