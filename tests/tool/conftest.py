"""Bounces of processors whose settings are known."""

from collections.abc import Callable
from functools import cache

import numpy as np
import numpy.typing as npt
import pytest

from autochain.audio.mix import Mix
from autochain.tool import signal
from autochain.tool.align import Bounce, lay_beside

Floats = npt.NDArray[np.float64]
Process = Callable[[Floats], npt.NDArray[np.floating]]


@cache
def played(test: str, rate_hz: int) -> Floats:
    sound = signal.make(test, rate_hz)
    sound.flags.writeable = False
    return sound


def mix_of_sound(sound: npt.NDArray[np.floating], rate_hz: int = 48000) -> Mix:
    return Mix(samples=sound.astype(np.float32), rate_hz=rate_hz, file="bounce.wav", sha256="0" * 64, subtype="PCM_24")


def spoiled(sound: Floats, *, late: int = 0, polarity: int = 1, bits: int = 24) -> Floats:
    """A bounce as it comes out of a studio: late, turned over, dithered."""
    out = np.concatenate([np.zeros((late, 2)), polarity * sound])
    if bits == 24:  # of no weight beside what is asked
        return out
    rng = np.random.default_rng(7)
    lsb = 2.0 ** (1 - bits)
    return np.asarray(np.round(out / lsb + rng.random(out.shape) - rng.random(out.shape)) * lsb)


@pytest.fixture(scope="module")
def bounced() -> Callable[..., Bounce]:
    """Play a test through a processor, spoil what comes out, and align it."""

    def make(test: str, process: Process, rate_hz: int = 48000, **spoil: int) -> Bounce:
        out = np.asarray(process(played(test, rate_hz)), dtype=np.float64)
        return lay_beside(mix_of_sound(spoiled(out, **spoil), rate_hz), (test, signal.ANYTHING))

    return make
