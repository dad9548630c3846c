"""The low-pass behind an oversampled stage, plain and slow."""

import numpy as np
import numpy.typing as npt

from autochain.audio.mix import Samples


def downsample(samples: Samples, taps: npt.NDArray[np.float64]) -> Samples:
    """Every `factor`-th frame of the low-passed samples, silence outside; `taps` as `decimator` gives them."""
    factor, width = taps.shape
    frames, channels = samples.shape[0] // factor, samples.shape[1]
    out = np.zeros((frames + width, channels), samples.dtype)
    points = samples.reshape(frames, factor, channels)
    for k in range(width):
        out[k : k + frames] += np.einsum("npc,p->nc", points, taps[:, k].astype(samples.dtype))
    return np.asarray(out[width // 2 - 1 : width // 2 - 1 + frames])
