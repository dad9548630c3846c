"""What every candidate is put together from: a sound on its way through peak stages, and these stages.

Levels are those of a mix that has been turned up already, so ceilings lie over 0 dBFS too; where a processor of the
package does not take them, it hears the sound 18 dB lower.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import scipy.signal

from autochain.audio.mix import Samples
from autochain.chain import clipper, limiter
from autochain.chain.stage import GainTrace
from autochain.units import linear_to_db

RATE_HZ = 48000
LOOKAHEAD_MS = 3.0
SOFTNESS = 50.0
_LOWER = 0.125  # a power of two: no bit of a sample is lost
_LEAST_DBFS = -24.0  # a side as faint as that has no peaks that matter
_LOWER_DB = -20.0 * np.log10(_LOWER)


@dataclass(frozen=True, slots=True, kw_only=True)
class Base:
    """A plain chain: `clip_db` off the highest peak by a soft clipper, the rest by a limiter of `release_ms`."""

    release_ms: float
    clip_db: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Sound:
    """Samples, what each limiter took, and where the first peak stage begins to work."""

    samples: Samples
    taken: tuple[GainTrace, ...] = ()
    first_dbfs: float | None = None

    @property
    def peak_dbfs(self) -> float:
        return linear_to_db(float(np.abs(self.samples).max()))


Play = Callable[[Sound, Base, float], Sound]


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """One setting of a candidate: how a sound is played around a base under a ceiling in dBTP.

    `front` is linear and comes before any level: the score compares behind it, as it does in the package.
    """

    name: str
    play: Play
    front: Callable[[Samples], Samples] | None = None


def limit(sound: Sound, ceiling_dbtp: float, release_ms: float, **more: float | str) -> Sound:
    """The package's limiter."""
    lower = ceiling_dbtp > 0.0
    at = {"ceiling_dbtp": ceiling_dbtp - _LOWER_DB * lower, "release_ms": release_ms, "lookahead_ms": LOOKAHEAD_MS}
    scale = np.float32(_LOWER if lower else 1.0)
    done = limiter.STAGE.process(sound.samples * scale, RATE_HZ, limiter.STAGE.checked({**at, **more}))
    assert done.trace is not None
    first = ceiling_dbtp if sound.first_dbfs is None else sound.first_dbfs
    return Sound(samples=done.samples / scale, taken=(*sound.taken, done.trace), first_dbfs=first)


def clip(sound: Sound, by_db: float, softness: float = SOFTNESS) -> Sound:
    """The package's clipper, so far under the highest peak."""
    ceiling = sound.peak_dbfs - by_db
    if by_db == 0.0 or ceiling < _LEAST_DBFS:
        return sound
    settings = clipper.STAGE.checked({"ceiling_dbfs": ceiling, "softness": softness})
    done = clipper.STAGE.process(sound.samples, RATE_HZ, settings)
    return replace(sound, samples=done.samples, first_dbfs=ceiling if sound.first_dbfs is None else sound.first_dbfs)


def plain(sound: Sound, base: Base, ceiling_dbtp: float) -> Sound:
    """The base itself."""
    return limit(clip(sound, base.clip_db), ceiling_dbtp, base.release_ms)


PLAIN = Setting(name="plain", play=plain)


def turned(samples: Samples) -> Samples:
    """Left and right to mid and side, whose sum and difference they are."""
    left, right = samples.T
    return np.stack(((left + right) / 2, (left - right) / 2), axis=1)


def turned_back(samples: Samples) -> Samples:
    """Mid and side to left and right."""
    mid, side = samples.T
    return np.stack((mid + side, mid - side), axis=1)


def filtered(samples: Samples, section: np.ndarray, *, inverse: bool = False) -> Samples:
    """Through a second-order section (b0, b1, b2, a1, a2), or through its inverse."""
    b, a = section[:3], np.append(1.0, section[3:])
    above, below = (a, b) if inverse else (b, a)
    return np.asarray(scipy.signal.lfilter(above, below, samples, axis=0)).astype(samples.dtype)
