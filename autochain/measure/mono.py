"""What is left of a stereo mix when both channels are added: loss in mono, and correlation over time."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from autochain.measure.hop_sums import HopSums
from autochain.measure.loudness import SHORT_TERM_HOPS
from autochain.measure.spectrum import SILENCE_POWER
from autochain.units import power_to_db

_STEP_HOPS = 100
_LOUD_DB = 10.0  # windows further under the mean level do not count


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MonoFold:
    """The mix added to one channel.

    Attributes
    ----------
    loss_db
        Level of (L + R) / 2 played by both loudspeakers re that of L and R: 0 for the same in both channels, -3.0
        for unrelated ones, -200 where they cancel.
    correlation
        Of every 3 s window that counts, 1 s apart, shape (windows,).
    balance_db
        Left over right (rms) in the same windows, held within +-60.
    at_s
        Mix time of their centres, in s.
    """

    loss_db: float
    correlation: npt.NDArray[np.float64]
    balance_db: npt.NDArray[np.float64]
    at_s: npt.NDArray[np.float64]


def fold_to_mono(sums: HopSums) -> MonoFold | None:
    """Sum the channels; None for one channel and for silence.

    With P = L^2 + R^2 and C = 2 L R, both summed over the signal, the loss is 10 log10((1 + C / P) / 2). A window
    counts when its level is less than 10 dB under that of the whole.
    """
    both, product = sums.square.sum(axis=1), sums.product
    power = float(both.sum())
    if sums.channels != 2 or power <= SILENCE_POWER * sums.frames:
        return None
    starts = np.arange(0, max(0, sums.whole_hops - SHORT_TERM_HOPS) + 1, _STEP_HOPS)
    ones = np.ones(min(SHORT_TERM_HOPS, sums.whole_hops))
    left, right, cross = (
        np.convolve(part[: sums.whole_hops], ones, mode="valid")[starts]
        for part in (sums.square[:, 0], sums.square[:, 1], product)
    )
    least = power / sums.frames * 10.0 ** (-_LOUD_DB / 10.0) * ones.size * sums.hop
    counted = left + right > least
    left, right, cross = left[counted], right[counted], cross[counted]
    geometric = np.sqrt(np.maximum(left * right, 1e-30))
    balance_db = 10.0 * np.log10(np.maximum(left, 1e-6 * right) / np.maximum(right, 1e-6 * left))
    return MonoFold(
        loss_db=power_to_db(max(0.0, 0.5 * (1.0 + 2.0 * float(product.sum()) / power))),
        correlation=np.clip(cross / geometric, -1.0, 1.0),
        balance_db=balance_db,
        at_s=(starts[counted] + 0.5 * SHORT_TERM_HOPS) / 100.0,
    )
