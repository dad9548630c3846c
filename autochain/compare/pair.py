"""Two files made comparable: one sample rate, the same channels in the same order and polarity to each other, in step.

The file of the higher rate is brought to the lower one (by soxr, `audio.resample`), since above half the lower rate
there is nothing to compare. Levels and the polarity of the whole stay as they are: what follows measures them.
"""

from dataclasses import dataclass

import numpy as np

from autochain.audio.mix import Mix, Samples
from autochain.audio.resample import resampled
from autochain.measure.align import Alignment, in_step
from autochain.measure.linear_change import align_same_material


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pair:
    """Mix and master as they correspond.

    Attributes
    ----------
    rate_hz
        Sample rate of all that follows.
    resampled
        `mix` or `master`, the one that was brought to it; None when both have it.
    mix, master
        The whole sounds at that rate, shape (frames, channels), the master's channels in the mix's order; one
        channel is repeated where the other file has two, and one that is turned over against the other turned back.
    in_step_mix, in_step_master
        The stretches of them that correspond to within half a sample, equally long.
    alignment
        Delay, polarity and so on of the master against the mix.
    """

    rate_hz: int
    resampled: str | None
    mix: Samples
    master: Samples
    in_step_mix: Samples
    in_step_master: Samples
    alignment: Alignment

    @property
    def delay_frames(self) -> int:
        """Whole frames by which the master is later than the mix."""
        return round(self.alignment.delay_samples)

    @property
    def start_s(self) -> float:
        """Mix time at which the stretch in step begins."""
        return max(0, -self.delay_frames) / self.rate_hz

    @property
    def delay_s(self) -> float:
        """Time by which the master is later than the mix."""
        return self.alignment.delay_samples / self.rate_hz


def make_pair(mix: Mix, master: Mix) -> Pair:
    """Bring two files in step.

    Parameters
    ----------
    mix, master
        Any two files.

    Raises
    ------
    DifferentMaterialError
        When they are not the same song.
    AutochainError
        When they are too short.
    """
    rate_hz, x, y = _at_one_rate(mix, master)
    found = align_same_material(x, y, rate_hz)
    y = _channels_as_in_mix(y, found)
    in_step_x, in_step_y = in_step(x, y, round(found.delay_samples))
    return Pair(
        rate_hz=rate_hz,
        resampled=None if mix.rate_hz == master.rate_hz else "mix" if mix.rate_hz > rate_hz else "master",
        mix=x,
        master=y,
        in_step_mix=in_step_x,
        in_step_master=in_step_y,
        alignment=found,
    )


def laid_on_mix(mix: Mix, master: Mix, alignment: Alignment) -> tuple[int, Samples, Samples]:
    """Both to be heard side by side: their rate, the mix, and the master on the mix's time, as long as the mix.

    The master's channels are in the mix's order and its polarity is the mix's; where its file does not reach it is
    silent.
    """
    rate_hz, x, y = _at_one_rate(mix, master)
    y = _channels_as_in_mix(y, alignment)
    turned = set(alignment.channel_polarity) - {None}
    if turned == {-1}:
        y = -y
    delay = round(alignment.delay_samples)
    laid = np.zeros_like(x)
    first, stop = max(0, -delay), min(len(x), len(y) - delay)
    laid[first:stop] = y[first + delay : stop + delay]
    return rate_hz, x, laid


def _at_one_rate(mix: Mix, master: Mix) -> tuple[int, Samples, Samples]:
    rate_hz = min(mix.rate_hz, master.rate_hz)
    x, y = (resampled(m.samples, m.rate_hz, rate_hz) for m in (mix, master))
    if x.shape[1] != y.shape[1]:
        x, y = (np.repeat(s, 2, axis=1) if s.shape[1] == 1 else s for s in (x, y))
    return rate_hz, x, y


def _channels_as_in_mix(master: Samples, found: Alignment) -> Samples:
    if found.swapped:
        master = np.ascontiguousarray(master[:, ::-1])
    turned = found.channel_polarity
    if None not in turned and len(set(turned)) > 1:  # otherwise mid and side would change places
        return np.asarray(master * np.asarray(turned, dtype=master.dtype))
    return master
