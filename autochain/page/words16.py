"""Sound as 16-bit words, and as FLAC in base64: what a page can hold and every browser plays."""

import base64
import io

import numpy as np
import numpy.typing as npt
import soundfile

from autochain.audio.dither import quantise
from autochain.audio.mix import Samples
from autochain.audio.room import in_blocks, room_for
from autochain.units import db_to_linear

BUDGET_BYTES = 12_000_000  # of sound inside a page, in base64
HIGHEST_HZ = 48_000  # of sound inside a page; 20 kHz need no more
_BITS = 16


def words_of(samples: Samples, gain_db: float, seed: int) -> npt.NDArray[np.int16]:
    """16-bit words of a sound, shape (frames, channels), turned by a gain and dithered.

    Piece by piece, since dither takes several copies of its piece.
    """
    generator, gain = np.random.default_rng(seed), samples.dtype.type(db_to_linear(gain_db))
    words = room_for(samples.shape, np.int16)
    step = 1 << 18
    for first in range(0, len(samples), step):
        piece = samples[first : first + step] * gain
        words[first : first + step] = quantise(piece, _BITS, generator)
    return words


def flac_of(words: npt.NDArray[np.int16], rate_hz: int) -> str:
    """FLAC of these words, in base64."""
    packed = io.BytesIO()
    soundfile.write(packed, words, rate_hz, format="FLAC", subtype=f"PCM_{_BITS}")
    return base64.b64encode(packed.getvalue()).decode("ascii")


def soft_edges(samples: Samples, rate_hz: int, edge_s: float, *, start: bool = True, stop: bool = True) -> Samples:
    """A copy that comes in and goes out within `edge_s`, at the ends that are asked for."""
    count = round(edge_s * rate_hz)
    rise = (0.5 - 0.5 * np.cos(np.pi * (np.arange(count) + 0.5) / count)).astype(samples.dtype)[:, None]
    soft = samples.copy()
    if start:
        soft[:count] *= rise
    if stop:
        soft[-count:] *= rise[::-1]
    return soft


def highest(samples: Samples) -> float:
    """Largest magnitude of a sound; 0 of none."""
    return max((max(float(block.max()), -float(block.min())) for block in in_blocks(samples)), default=0.0)
