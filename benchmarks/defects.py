"""Known damage done to a clean mix: kind, level and time are the truth a detector is held against.

Nothing here knows how anything is found.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import scipy.ndimage
import scipy.signal
from injected_resonances import comes_and_goes, lift

Sound = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Damage:
    """One defect: its kind, how strong, and where; `at_s` is NaN for what is everywhere."""

    code: str
    variant: str
    at_s: float


NOWHERE = float("nan")
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


def clipped(by_db: float, dithered: bool = False, one_sided: bool = False) -> Hurt:
    """Cut off that far under the mix's own peak (of one channel); written with 16-bit dither or not."""

    def hurt(sound: Sound, rate_hz: int, rng: np.random.Generator) -> tuple[Sound, list[Damage]]:
        out = sound.copy()
        lanes = _lanes(sound, rng, one_sided)
        top = np.abs(sound[:, lanes]).max() * 10.0 ** (-by_db / 20.0)
        out[:, lanes] = np.clip(sound[:, lanes], -top, top)
        if dithered:
            noise = rng.random(out.shape) - rng.random(out.shape)
            out = np.round(out * 2**15 + noise) / 2**15
        return out, [Damage("clipped", f"{by_db:g} dB{', dithered' * dithered}{', one side' * one_sided}", NOWHERE)]

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
        return out, [Damage("hum", f"{level_dbfs:g} dBFS{', one side' if one_sided else ''}", NOWHERE)]

    return hurt


def offset(level_dbfs: float, one_sided: bool = False) -> Hurt:
    """A constant."""

    def hurt(sound: Sound, rate_hz: int, rng: np.random.Generator) -> tuple[Sound, list[Damage]]:
        out = sound.copy()
        for lane in _lanes(sound, rng, one_sided):
            out[:, lane] += rng.choice([-1.0, 1.0]) * 10.0 ** (level_dbfs / 20.0)
        return out, [Damage("dc", f"{level_dbfs:g} dBFS{', one side' if one_sided else ''}", NOWHERE)]

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
        return out, [Damage("imbalance", f"{db:g} dB", NOWHERE)]

    return hurt


def turned_over() -> Hurt:
    """One channel with its polarity reversed."""

    def hurt(sound: Sound, rate_hz: int, rng: np.random.Generator) -> tuple[Sound, list[Damage]]:
        out = sound.copy()
        out[:, int(rng.integers(2))] *= -1.0
        return out, [Damage("mono_compatibility", "polarity of one side", NOWHERE)]

    return hurt


def hiss(level_dbfs: float, pause: bool = True, one_sided: bool = False) -> Hurt:
    """White noise under everything, of that rms level; with a pause of 1.2 s in the song, faded in and out, or not."""

    def hurt(sound: Sound, rate_hz: int, rng: np.random.Generator) -> tuple[Sound, list[Damage]]:
        out = sound.copy()
        if pause:
            (at_s,) = _times(sound, rate_hz, rng, 1, 6.0)
            gate, edge = np.ones(len(sound)), np.hanning(round(0.1 * rate_hz))
            gate[round(at_s * rate_hz) : round((at_s + 1.3) * rate_hz)] = 0.0
            out *= scipy.signal.oaconvolve(gate, edge / edge.sum(), mode="same").clip(0.0, 1.0)[:, None]
        for lane in _lanes(sound, rng, one_sided):
            out[:, lane] += 10.0 ** (level_dbfs / 20.0) * rng.standard_normal(len(sound))
        kind = f"{level_dbfs:g} dBFS{', in a pause' * pause}{', one side' * one_sided}"
        return out, [Damage("noise", kind, NOWHERE)]

    return hurt


def ends(kind: str, length_s: float = 0.0) -> Hurt:
    """Sound cut off at an end, or silence added there."""

    def hurt(sound: Sound, rate_hz: int, rng: np.random.Generator) -> tuple[Sound, list[Damage]]:
        loud = np.flatnonzero(np.abs(sound).max(axis=1) > 0.3 * np.abs(sound).max())
        still = np.zeros((round(length_s * rate_hz), sound.shape[1]))
        out = {
            "start cut off": sound[loud[loud > 2 * rate_hz][0] :],
            "end cut off": sound[: loud[loud < len(sound) - 2 * rate_hz][-1]],
            "silence before": np.concatenate([still, sound]),
            "silence after": np.concatenate([sound, still]),
        }[kind]
        return out, [Damage("silence", f"{kind}{f', {length_s:g} s' * (length_s > 0.0)}", NOWHERE)]

    return hurt


def rumble(below_db: float) -> Hurt:
    """Noise from 6 to 16 Hz, that far under the energy of the whole."""

    def hurt(sound: Sound, rate_hz: int, rng: np.random.Generator) -> tuple[Sound, list[Damage]]:
        band = scipy.signal.butter(2, (6.0, 16.0), "bandpass", fs=rate_hz, output="sos")
        line = scipy.signal.sosfilt(band, rng.standard_normal(len(sound)))
        line *= np.sqrt(np.mean(sound**2) / np.mean(line**2)) * 10.0 ** (-below_db / 20.0)
        return sound + line[:, None], [Damage("subsonic", f"{-below_db:g} dB", NOWHERE)]

    return hurt


def limited(by_db: float) -> Hurt:
    """Peaks held that far under the highest by a gain that looks 1.5 ms ahead and lets go as fast."""

    def hurt(sound: Sound, rate_hz: int, rng: np.random.Generator) -> tuple[Sound, list[Damage]]:
        del rng
        top = np.abs(sound).max() * 10.0 ** (-by_db / 20.0)
        width = 2 * round(0.0015 * rate_hz) + 1
        peaks = scipy.ndimage.maximum_filter1d(np.abs(sound).max(axis=1), width)
        shape = np.hanning(width + 2)[1:-1]
        gain = scipy.signal.oaconvolve(np.minimum(1.0, top / np.maximum(peaks, 1e-9)), shape / shape.sum(), mode="same")
        return sound * gain[:, None], [Damage("limited", f"{by_db:g} dB", NOWHERE)]

    return hurt


def lopsided(by_db: float) -> Hurt:
    """The half-waves of the side that reaches further already are made larger; the mean is taken away."""

    def hurt(sound: Sound, rate_hz: int, rng: np.random.Generator) -> tuple[Sound, list[Damage]]:
        del rate_hz, rng
        sign = 1.0 if sound.max() > -sound.min() else -1.0
        out = np.where(sign * sound > 0.0, sound * 10.0 ** (by_db / 20.0), sound)
        return out - out.mean(axis=0), [Damage("asymmetry", f"{by_db:g} dB", NOWHERE)]

    return hurt


def wide_bass(kind: str) -> Hurt:
    """What lies below 120 Hz in one channel turned over, or late by 6 ms."""

    def hurt(sound: Sound, rate_hz: int, rng: np.random.Generator) -> tuple[Sound, list[Damage]]:
        low = scipy.signal.sosfiltfilt(scipy.signal.butter(4, 120.0, fs=rate_hz, output="sos"), sound, axis=0)
        out, lane = sound.copy(), int(rng.integers(2))
        out[:, lane] -= 2.0 * low[:, lane] if kind == "turned over" else low[:, lane]
        if kind != "turned over":
            late = round(0.006 * rate_hz)
            out[late:, lane] += low[:-late, lane]
        return out, [Damage("low_end_width", kind, NOWHERE)]

    return hurt


def widened(by_db: float) -> Hurt:
    """The difference of both channels turned up."""

    def hurt(sound: Sound, rate_hz: int, rng: np.random.Generator) -> tuple[Sound, list[Damage]]:
        del rate_hz, rng
        mid, side = sound.mean(axis=1), 0.5 * (sound[:, 0] - sound[:, 1]) * 10.0 ** (by_db / 20.0)
        out = np.stack([mid + side, mid - side], axis=1)
        return out, [Damage("mono_compatibility", f"side +{by_db:g} dB", NOWHERE)]

    return hurt


def turned_up(by_db: float, code: str) -> Hurt:
    """Another level of the whole mix, which `code` should tell."""

    def hurt(sound: Sound, rate_hz: int, rng: np.random.Generator) -> tuple[Sound, list[Damage]]:
        del rate_hz, rng
        return sound * 10.0 ** (by_db / 20.0), [Damage(code, f"gain {by_db:+g} dB", NOWHERE)]

    return hurt


def resonance(low_hz: float, high_hz: float, gain_db: float, passing: bool = False) -> Hurt:
    """A bell of q 2 to 6 somewhere in a range, always or at times."""

    def hurt(sound: Sound, rate_hz: int, rng: np.random.Generator) -> tuple[Sound, list[Damage]]:
        freq_hz = float(np.exp(rng.uniform(np.log(low_hz), np.log(high_hz))))
        gate = comes_and_goes(len(sound), rate_hz, rng) if passing else None
        out = lift(sound, rate_hz, freq_hz, gain_db, float(rng.uniform(2.0, 6.0)), "stereo", gate)
        kind = f"{gain_db:g} dB, {low_hz:g} to {high_hz:g} Hz{', at times' * passing}"
        return out, [Damage("resonance", kind, NOWHERE)]

    return hurt


def full_band(mix: Sound, rate_hz: int, rng: np.random.Generator, under_db: float) -> Sound:
    """The mix with white noise that far under its own level of every 20 ms: what it has up to half the rate."""
    width = round(0.02 * rate_hz)
    level = np.sqrt(scipy.ndimage.uniform_filter1d(np.mean(mix**2, axis=1), width).clip(0.0))
    return np.asarray(mix + 10.0 ** (-under_db / 20.0) * level[:, None] * rng.standard_normal(mix.shape))
