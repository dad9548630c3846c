"""The mix as the rest of the package sees it."""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

# Shape (frames, channels), channels 1 or 2, full scale +-1.0, C-contiguous. float32 in production (half
# the memory traffic; its rounding noise lies near -150 dBFS), float64 accepted everywhere for tests against
# closed forms. State and sums inside kernels are always float64.
Samples = npt.NDArray[np.floating[Any]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Mix:
    """A finished mix in memory with what identifies its source.

    Attributes
    ----------
    samples
        float32, shape (frames, channels), full scale +-1.0.
    rate_hz
        Sample rate, 44100 to 192000.
    file
        Base name of the source file.
    sha256
        Hex digest of the source file's bytes.
    subtype
        Sample format as libsndfile names it, such as `PCM_24`.
    path
        Where the file lies, which is never replaced; None for samples that were made in memory.
    """

    samples: Samples
    rate_hz: int
    file: str
    sha256: str
    subtype: str
    path: Path | None = None

    @property
    def channels(self) -> int:
        """Number of channels, 1 or 2."""
        return int(self.samples.shape[1])

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return float(self.samples.shape[0] / self.rate_hz)
