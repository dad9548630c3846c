"""The rotation, decided once for a search, on the parts of the mix where it may save something."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from autochain.audio.mix import Mix, Samples
from autochain.audio.room import in_blocks
from autochain.config.model import Excerpts, Target
from autochain.measure.loudness import loud_hops, power_to_lufs
from autochain.measure.measurement import Measurement
from autochain.prepare.symmetry import Rotation, RotationRules, choose_rotation
from autochain.solve.excerpts import hardly_longer, window_powers
from autochain.units import db_to_linear

# A limiter alone loses about this much loudness at usual targets; only places the threshold.
_EXPECTED_LOSS_DB = 1.5
_SPLICE_HOPS = 15
_WINDOW_HOPS = 5  # 50 ms, the window of the crest and asymmetry costs
_WINDOWS_AT_ONCE = 40


def _per_window(samples: Samples, hop: int, hops: int) -> tuple[npt.NDArray[np.float64], ...]:
    """Largest and smallest sample and mean square per 50 ms window, over channels."""
    windows = hops // _WINDOW_HOPS
    length = _WINDOW_HOPS * hop
    highest, lowest, power = np.empty((3, windows))
    for first, part in enumerate(in_blocks(samples[: windows * length], _WINDOWS_AT_ONCE * length)):
        shaped = part.reshape(-1, length * samples.shape[1])
        own = slice(first * _WINDOWS_AT_ONCE, first * _WINDOWS_AT_ONCE + len(shaped))
        highest[own], lowest[own] = shaped.max(axis=1), shaped.min(axis=1)
        power[own] = np.einsum("ij,ij->i", shaped, shaped, dtype=np.float64) / shaped.shape[1]
    return highest, lowest, power


def telling_starts(
    samples: Samples, rate_hz: int, hops: npt.NDArray[np.float64], integrated_lufs: float, plan: Excerpts
) -> list[int]:
    """First hops of the loudest, the most transient, the most asymmetric and the most typical window.

    Parameters
    ----------
    samples
        The mix, shape (frames, channels).
    rate_hz
        Sample rate.
    hops
        K-weighted power per 10 ms hop of the same samples.
    integrated_lufs
        Loudness of the same samples.
    plan
        Length of a window.

    Returns
    -------
    list of int
        In song order; the windows do not overlap.
    """
    length = round(plan.length_s * 100.0)
    starts, powers = window_powers(hops, length)
    high, low, power = _per_window(samples, round(rate_hz / 100), len(hops))
    high, low = np.maximum(high, 1e-9), np.maximum(-low, 1e-9)
    window_lufs = power_to_lufs(hops[: len(power) * _WINDOW_HOPS].reshape(-1, _WINDOW_HOPS).mean(axis=1))
    loud = window_lufs >= integrated_lufs
    crest = 20.0 * np.log10(np.maximum(high, low)) - 10.0 * np.log10(np.maximum(power, 1e-12))
    lean = 20.0 * np.log10(high / low)
    at, span = starts // _WINDOW_HOPS, length // _WINDOW_HOPS

    def sums(values: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        running = np.concatenate(([0.0], np.cumsum(values)))
        return np.asarray(running[np.minimum(at + span, len(values))] - running[np.minimum(at, len(values))])

    count = sums(loud.astype(np.float64))
    enough = count >= 0.25 * span  # a window of one stray hit says nothing about the song
    mean_crest = np.where(enough, sums(np.where(loud, crest, 0.0)) / np.maximum(count, 1.0), -np.inf)
    mean_lean = np.where(enough, np.abs(sums(np.where(loud, lean, 0.0))) / np.maximum(count, 1.0), -np.inf)
    lufs = power_to_lufs(powers)
    chosen: list[int] = []
    for merit in (lufs, mean_crest, mean_lean, -np.abs(lufs - integrated_lufs)):
        free = np.ones(len(starts), dtype=bool)
        for taken in chosen:
            free &= np.abs(starts - taken) >= length
        ranked = np.where(free, merit, -np.inf)
        if np.isfinite(ranked).any():
            chosen.append(int(starts[int(np.argmax(ranked))]))
    return sorted(chosen)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Telling:
    """What a rotation is decided on.

    Attributes
    ----------
    samples
        The telling parts one after the other, shape (frames, channels).
    loud
        One flag per 10 ms hop; False where a rotation's filters hear across a splice.
    threshold_linear
        Where a limiter alone would begin to work.
    """

    samples: Samples
    loud: npt.NDArray[np.bool_]
    threshold_linear: float


def telling(
    mix: Mix, before: Measurement, mix_hops: npt.NDArray[np.float64], target: Target, plan: Excerpts
) -> Telling:
    """The parts of a mix on which a rotation is decided.

    Parameters
    ----------
    mix, before, mix_hops
        The mix, its measurement, and its K-weighted power per 10 ms hop.
    target
        What the master must reach.
    plan
        Length of a part; a song hardly longer than its excerpts is heard whole.
    """
    assert before.integrated_lufs is not None
    hop = round(mix.rate_hz / 100)
    parts = [(0, len(mix_hops))]
    if not hardly_longer(len(mix_hops), plan):
        length = round(plan.length_s * 100.0)
        starts = telling_starts(mix.samples, mix.rate_hz, mix_hops, before.integrated_lufs, plan)
        parts = [(start, start + length) for start in starts]
    joined = np.concatenate([mix.samples[start * hop : stop * hop] for start, stop in parts])
    loud = loud_hops(mix_hops, before.integrated_lufs)
    flags = []
    for start, stop in parts:
        flag = loud[start:stop].copy()
        flag[:_SPLICE_HOPS] = flag[-_SPLICE_HOPS:] = False  # rotation filters hear across a splice
        flags.append(flag)
    louder_db = target.loudness_lufs - (target.heard_lufs(before) or before.integrated_lufs)
    threshold_db = target.ceiling_dbtp - louder_db - _EXPECTED_LOSS_DB
    return Telling(
        samples=joined, loud=np.concatenate(flags), threshold_linear=db_to_linear(threshold_db)
    )


def rotation_on(
    mix: Mix,
    before: Measurement,
    mix_hops: npt.NDArray[np.float64],
    target: Target,
    plan: Excerpts,
    rules: RotationRules | None = None,
) -> Rotation:
    """Decide the rotation on the telling parts; `rules` say when one is worth it, the defaults when None."""
    on = telling(mix, before, mix_hops, target, plan)
    return choose_rotation(on.samples, mix.rate_hz, on.loud, on.threshold_linear, rules)
