"""Known damage done to a clean mix: kind, level and time are the truth a detector is held against.

Nothing here knows how anything is found.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Sound = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Damage:
    """One defect: its kind, how strong, and where; `at_s` is NaN for what is everywhere."""

    code: str
    variant: str
    at_s: float


Hurt = Callable[[Sound, int, np.random.Generator], tuple[Sound, list[Damage]]]


def _lanes(sound: Sound, rng: np.random.Generator, one_sided: bool) -> list[int]:
    return [int(rng.integers(sound.shape[1]))] if one_sided else list(range(sound.shape[1]))


def _times(sound: Sound, rate_hz: int, rng: np.random.Generator, count: int, clear_s: float) -> list[float]:
    length_s = len(sound) / rate_hz
    step = (length_s - 2.0 * clear_s) / count
    return [clear_s + step * (k + float(rng.uniform(0.15, 0.85))) for k in range(count)]


def clicks(below_db: float, width: int = 1, one_sided: bool = False, count: int = 6) -> Hurt:
    """Pulses of `width` samples, that far under the peak of the 50 ms on either side."""

    def hurt(sound: Sound, rate_hz: int, rng: np.random.Generator) -> tuple[Sound, list[Damage]]:
        out, truth = sound.copy(), []
        shape = np.hanning(width + 2)[1:-1]
        for at_s in _times(sound, rate_hz, rng, count, 3.0):
            at, near = round(at_s * rate_hz), round(0.05 * rate_hz)
            height = np.abs(sound[at - near : at + near]).max() * 10.0 ** (-below_db / 20.0)
            sign = rng.choice([-1.0, 1.0])
            for lane in _lanes(sound, rng, one_sided):
                out[at : at + width, lane] += sign * height * shape
            side = ", one side" if one_sided else ""
            truth.append(Damage("click", f"{width} sample{'s' * (width > 1)}, {-below_db:g} dB{side}", at_s))
        return out, truth

    return hurt


def dropouts(length_ms: float, depth_db: float, one_sided: bool = False, count: int = 3) -> Hurt:
    """Holes with edges of a sample; a depth of 200 dB is silence."""

    def hurt(sound: Sound, rate_hz: int, rng: np.random.Generator) -> tuple[Sound, list[Damage]]:
        out, truth = sound.copy(), []
        for at_s in _times(sound, rate_hz, rng, count, 3.0):
            at, length = round(at_s * rate_hz), round(length_ms * rate_hz / 1000.0)
            for lane in _lanes(sound, rng, one_sided):
                out[at : at + length, lane] *= 10.0 ** (-depth_db / 20.0)
            side = ", one side" if one_sided else ""
            truth.append(Damage("dropout", f"{length_ms:g} ms, {depth_db:g} dB deep{side}", at_s))
        return out, truth

    return hurt


def clipped(by_db: float, dithered: bool = False) -> Hurt:
    """Cut off that far under the mix's own peak; written with 16-bit dither or not."""

    def hurt(sound: Sound, rate_hz: int, rng: np.random.Generator) -> tuple[Sound, list[Damage]]:
        top = np.abs(sound).max() * 10.0 ** (-by_db / 20.0)
        out = np.clip(sound, -top, top)
        if dithered:
            noise = rng.random(out.shape) - rng.random(out.shape)
            out = np.round(out * 2**15 + noise) / 2**15
        return out, [Damage("clipped", f"{by_db:g} dB{', dithered' if dithered else ''}", float("nan"))]

    return hurt


def hum(mains_hz: float, level_dbfs: float, one_sided: bool = False) -> Hurt:
    """Four multiples falling by 6 dB each, of random phase; the mains off by up to 0.03 Hz."""

    def hurt(sound: Sound, rate_hz: int, rng: np.random.Generator) -> tuple[Sound, list[Damage]]:
        n = np.arange(len(sound)) / rate_hz
        own_hz = mains_hz + float(rng.uniform(-0.03, 0.03))
        parts = [0.5**k * np.sin(2.0 * np.pi * own_hz * (k + 1) * n + rng.uniform(0, 2.0 * np.pi)) for k in range(4)]
        line = np.sum(parts, axis=0)
        line *= 10.0 ** (level_dbfs / 20.0) / np.sqrt(2.0 * np.mean(line**2))
        out = sound.copy()
        for lane in _lanes(sound, rng, one_sided):
            out[:, lane] += line
        return out, [Damage("hum", f"{level_dbfs:g} dBFS{', one side' if one_sided else ''}", float("nan"))]

    return hurt


def offset(level_dbfs: float, one_sided: bool = False) -> Hurt:
    """A constant."""

    def hurt(sound: Sound, rate_hz: int, rng: np.random.Generator) -> tuple[Sound, list[Damage]]:
        out = sound.copy()
        for lane in _lanes(sound, rng, one_sided):
            out[:, lane] += rng.choice([-1.0, 1.0]) * 10.0 ** (level_dbfs / 20.0)
        return out, [Damage("dc", f"{level_dbfs:g} dBFS{', one side' if one_sided else ''}", float("nan"))]

    return hurt


def jump(step_db: float, one_sided: bool = False) -> Hurt:
    """From one moment on everything is louder or softer."""

    def hurt(sound: Sound, rate_hz: int, rng: np.random.Generator) -> tuple[Sound, list[Damage]]:
        out = sound.copy()
        (at_s,) = _times(sound, rate_hz, rng, 1, 6.0)
        step = rng.choice([-1.0, 1.0]) * step_db
        for lane in _lanes(sound, rng, one_sided):
            out[round(at_s * rate_hz) :, lane] *= 10.0 ** (step / 20.0)
        return out, [Damage("level_jump", f"{step_db:g} dB{', one side' if one_sided else ''}", at_s)]

    return hurt


def louder_side(db: float) -> Hurt:
    """One channel turned up over the whole song."""

    def hurt(sound: Sound, rate_hz: int, rng: np.random.Generator) -> tuple[Sound, list[Damage]]:
        out = sound.copy()
        out[:, int(rng.integers(2))] *= 10.0 ** (db / 20.0)
        return out, [Damage("imbalance", f"{db:g} dB", float("nan"))]

    return hurt


def turned_over() -> Hurt:
    """One channel with its polarity reversed."""

    def hurt(sound: Sound, rate_hz: int, rng: np.random.Generator) -> tuple[Sound, list[Damage]]:
        out = sound.copy()
        out[:, int(rng.integers(2))] *= -1.0
        return out, [Damage("mono_compatibility", "polarity of one side", float("nan"))]

    return hurt
