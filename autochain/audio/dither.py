"""Triangular dither and mid-tread rounding: the last step before a fixed-point file.

The figures follow Lipshitz, Wannamaker and Vanderkooy, "Quantization and Dither: A Theoretical Survey",
JAES 40(5), 1992.
"""

import numpy as np
import numpy.typing as npt

from autochain.audio.mix import Samples


def lsb(bits: int) -> float:
    """Step of a `bits`-bit word whose range is +-1.0, linear."""
    return float(2.0 ** (1 - bits))


def tpdf(shape: tuple[int, ...], generator: np.random.Generator) -> npt.NDArray[np.float64]:
    """Draw triangular dither in units of one LSB, inside +-1, power 1/6.

    The difference of two independent uniforms one LSB wide: mean and variance of the total error then do
    not depend on the signal (Lipshitz et al. 1992). Every sample draws its own pair in memory order, so a
    signal dithered block by block gets the same values as in one piece, and channels stay independent.
    """
    pair = generator.random((*shape, 2))
    return np.asarray(pair[..., 0] - pair[..., 1])


def quantise(
    samples: Samples, bits: int, generator: np.random.Generator | None = None
) -> npt.NDArray[np.int32]:
    """Round samples to `bits`-bit words: floor(x / LSB + d + 1/2), held inside the word's range.

    Parameters
    ----------
    samples
        Finite, shape (frames, channels), full scale +-1.0.
    bits
        Word length, 2 to 24.
    generator
        Source of the triangular dither d, drawn per sample and channel; None rounds without dither.

    Returns
    -------
    int32, same shape, -2**(bits-1) to 2**(bits-1) - 1. Overs stop at the ends of the range, they never wrap.
    """
    words = samples.astype(np.float64)
    words /= lsb(bits)
    if generator is not None:
        words += tpdf(words.shape, generator)
    words += 0.5
    np.floor(words, out=words)
    top = 2 ** (bits - 1)
    np.clip(words, -top, top - 1, out=words)
    return words.astype(np.int32)
