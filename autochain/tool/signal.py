"""The test that is played through a processor: made by rule, one description for the writer and the reader.

Every stretch is a `Stretch`. The same list makes the sound and says afterwards where to look in the bounce. A sound of
any rate is made from the same list, so that a bounce is read at its own rate.

The kinds, and what their stretches are for (levels are peaks):

- gain tone, sweep at -40 dBFS: linear gain, and what else lies in the path (A. Farina, AES 108, 2000, for the sweep).
- stairs: static curve and knee. Bursts of several sizes: attack and release, and whether they depend on the size.
  Short bursts: release after short work. The two-level form is that of ANSI S3.22 and IEC 60118-2, levels moved.
- crests: noise, a tone, a flat wave and a peaky wave of the same power: peak or rms detector.
- side tones: a side-chain filter. One side alone, and both turned over: the link.
- low tones, long: distortion by the gain.
- programme: struck notes and noise, for judging the fit. Nothing is fitted on it.
- pulses on a bed, tones between the samples (limiter): look-ahead, ramps, true peak.
- rising low tone (clipper): the curve. Sweeps at three levels (equaliser): whether anything moves with level.
"""

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cache
from typing import Literal, get_args

import numpy as np
import numpy.typing as npt
import scipy.signal

TEST_VERSION = 1  # of the list below; a bounce is read with the list it was made from
MADE_HZ = 48000  # noise is made at this rate and resampled
TEST_RATES_HZ = (44100, 48000, 88200, 96000)

ToolKind = Literal["compressor", "limiter", "clipper", "equaliser"]
TOOL_KINDS: tuple[ToolKind, ...] = get_args(ToolKind)
ANYTHING = "anything"
TESTS: tuple[str, ...] = (*TOOL_KINDS, ANYTHING)

Sides = Literal["both", "left", "right", "opposite"]
Wave = Literal[
    "silence", "mark", "tone", "rise", "sweep", "noise", "flat", "peaky", "pulse", "between", "programme",
]  # fmt: skip
_Signal = npt.NDArray[np.float64]

_CRESTS: tuple[Wave, ...] = ("noise", "flat", "peaky", "tone")
_SIDES: tuple[Sides, ...] = ("left", "both", "right", "opposite")

ASIDE = 0.05  # of the level, on the side that is not meant: its gain can be read too
MARK_S = 0.1
MARK_FROM_HZ, MARK_TO_HZ = 500.0, 8000.0
SWEEP_FROM_HZ, SWEEP_TO_HZ = 20.0, 20000.0
_FADE_S = 0.005


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """One stretch of a test.

    Attributes
    ----------
    group
        What it belongs to: `stairs`, `bursts`, ...
    shape
        How it sounds.
    seconds, start_s
        Its length, a whole number of 10 ms, and where it begins.
    level_dbfs
        Peak level; of a pulse that of the bed, whose peak goes to 0 dBFS.
    freq_hz
        Of tones and beds.
    sides
        Which channels sound.
    width_ms
        Length of a pulse; 0 is one sample.
    """

    group: str
    shape: Wave
    seconds: float
    level_dbfs: float = -200.0
    freq_hz: float = 1000.0
    sides: Sides = "both"
    width_ms: float = 0.0
    start_s: float = 0.0

    def span(self, rate_hz: int) -> slice:
        """Frames of the test that it fills."""
        return slice(round(self.start_s * rate_hz), round((self.start_s + self.seconds) * rate_hz))


@cache
def segments(test: str) -> tuple[Stretch, ...]:
    """The list of one test, in order, without gaps."""
    placed, at_s = list[Stretch](), 0.0
    for one in _frame(test):
        placed.append(replace(one, start_s=round(at_s, 6)))
        at_s += one.seconds
    return tuple(placed)


def duration_s(test: str) -> float:
    """Length of a test."""
    last = segments(test)[-1]
    return round(last.start_s + last.seconds, 6)


def group(test: str, name: str) -> tuple[Stretch, ...]:
    """Segments of one group; none where the test has no such group."""
    return tuple(one for one in segments(test) if one.group == name)


def marks(test: str) -> tuple[Stretch, Stretch]:
    """The marks at both ends."""
    first, last = group(test, "mark")
    return first, last


@cache
def _sha256(test: str) -> str:
    told = f"{TEST_VERSION} {MADE_HZ} " + " ".join(repr(one) for one in segments(test))
    return hashlib.sha256(told.encode()).hexdigest()


def test_sha256(test: str) -> str:
    """Hash of a test: of its list, which makes every sample."""
    return _sha256(test)


def make(test: str, rate_hz: int) -> _Signal:
    """The test as sound, shape (frames, 2), full scale 1.0, the same bits every time."""
    sound = np.zeros((round(duration_s(test) * rate_hz), 2))
    for one in segments(test):
        span = one.span(rate_hz)
        wave = _wave(one, span.stop - span.start, rate_hz)
        left = ASIDE if one.sides == "right" else 1.0
        right = {"both": 1.0, "left": ASIDE, "right": 1.0, "opposite": -1.0}[one.sides]
        sound[span] = wave if wave.ndim == 2 else wave[:, None] * (left, right)
    return sound


def _frame(test: str) -> Iterator[Stretch]:
    """Both ends around the middle of a test."""
    quiet = Stretch(group="silence", shape="silence", seconds=0.5)
    mark = Stretch(group="mark", shape="mark", seconds=MARK_S, level_dbfs=-30.0)
    tone = _tone("gain", 0.6, -45.0)
    rest = Stretch(group="silence", shape="silence", seconds=0.4)
    yield from (quiet, mark, rest, tone, rest)
    yield Stretch(group="sweep", shape="sweep", seconds=3.0, level_dbfs=-40.0)
    yield rest
    middles = {"compressor": _compressor, "limiter": _limiter, "clipper": _clipper, "equaliser": _equaliser}
    for kind in TOOL_KINDS if test == ANYTHING else (test,):
        yield from middles[kind](test != ANYTHING)
    if test != "equaliser":
        for hz in (40.0, 80.0, 160.0):
            yield _tone("low", 1.0, -6.0 if test == "compressor" else -0.1, hz)
        yield _tone("rest", 1.0, -40.0)
    yield Stretch(group="programme", shape="programme", seconds=22.0, level_dbfs=-0.1)
    yield Stretch(group="silence", shape="silence", seconds=1.0)
    yield replace(tone, group="gain_after")
    yield from (rest, mark, quiet)


def _tone(name: str, seconds: float, level_dbfs: float, freq_hz: float = 1000.0, sides: Sides = "both") -> Stretch:
    return Stretch(group=name, shape="tone", seconds=seconds, level_dbfs=level_dbfs, freq_hz=freq_hz, sides=sides)


def _compressor(alone: bool) -> Iterator[Stretch]:
    for level in (*range(-42, -26, 4), *range(-26, 0, 2)):
        yield _tone("stairs", 0.4, float(level))
    for level in (-7.0, -13.0, -19.0, -25.0, -40.0):
        yield _tone("stairs", 0.5, level)
    for level in (-18.0, -12.0, -6.0, -1.0):
        yield _tone("bursts", 0.5, level, 2000.0)
        yield _tone("bursts", 0.9, -32.0, 2000.0)
    for ms in (10, 30, 100, 300):
        yield _tone("bursts", 1e-3 * ms, -4.0, 2000.0)
        yield _tone("bursts", 0.5, -32.0, 2000.0)
    # Of the power of a tone with its peak at -13 dBFS, -16 dBFS rms; the peaky one's peaks lie at -1 dBFS.
    for shape in _CRESTS:
        yield Stretch(group="crests", shape=shape, seconds=1.0, level_dbfs=-13.0, freq_hz=400.0)
        yield _tone("crests", 0.3, -40.0, 400.0)
    for hz in (50.0, 100.0, 200.0, 400.0, 3000.0, 10000.0):
        yield _tone("side", 0.6, -10.0, hz)
    yield _tone("rest", 0.5, -40.0)
    for sides in _SIDES:
        yield _tone("link", 0.5, -8.0, 1000.0, sides)
    yield _tone("rest", 0.5, -40.0)


def _limiter(alone: bool) -> Iterator[Stretch]:
    for level in (-24.0, -15.0, -9.0, -6.0, -3.0, -0.1):
        yield _tone("limit_stairs", 0.6, level)
    yield _tone("rest", 1.5, -40.0)
    for width in (0.0, 0.0, 2.0, 5.0, 20.0):
        yield Stretch(group="pulses", shape="pulse", seconds=1.6, level_dbfs=-30.0, freq_hz=3000.0, width_ms=width)
    for level in (-6.0, -0.1):
        yield _tone("limit_bursts", 0.5, level, 2000.0)
        yield _tone("limit_bursts", 1.5, -30.0, 2000.0)
    # A quarter of the rate, its samples at 45 degrees: the true peak lies 3.01 dB over them.
    yield Stretch(group="between", shape="between", seconds=1.0, level_dbfs=-0.1)
    yield _tone("rest", 1.0, -40.0)
    if alone:
        for sides in _SIDES:
            yield _tone("link", 0.6, -0.1, 1000.0, sides)
            yield _tone("rest", 1.0, -40.0)
        for shape in _CRESTS:
            yield Stretch(group="crests", shape=shape, seconds=1.0, level_dbfs=-13.0, freq_hz=400.0)


def _clipper(alone: bool) -> Iterator[Stretch]:
    for hz in (100.0, 1000.0, 5000.0) if alone else (100.0,):
        yield Stretch(group="rise", shape="rise", seconds=7.0 if alone else 4.0, level_dbfs=0.0, freq_hz=hz)
        yield Stretch(group="rest", shape="silence", seconds=0.3)
    for level in (-24.0, -18.0, -12.0, -9.0, -6.0, -3.0, -0.1):
        yield _tone("clip_stairs", 0.4, level)
    for level in (-12.0, -0.1):
        yield _tone("fold", 1.0, level, 7350.0)
    yield Stretch(group="rest", shape="silence", seconds=0.3)


def _equaliser(alone: bool) -> Iterator[Stretch]:
    sweeps: list[tuple[str, float, Sides]] = [("eq_sweep", -20.0, "both"), ("eq_loud", -6.0, "both")]
    if alone:
        sweeps += [("eq_opposite", -20.0, "opposite"), ("eq_left", -20.0, "left")]
    for name, level, sides in sweeps:
        yield Stretch(group=name, shape="sweep", seconds=7.0, level_dbfs=level, sides=sides)
        yield Stretch(group="rest", shape="silence", seconds=1.0)


def sweep(frames: int, rate_hz: int) -> _Signal:
    """Exponential sweep of amplitude 1, faded at both ends (Farina 2000)."""
    t = np.arange(frames) / rate_hz
    length = frames / rate_hz
    rate = np.log(SWEEP_TO_HZ / SWEEP_FROM_HZ)
    wave = np.sin(2.0 * np.pi * SWEEP_FROM_HZ * length / rate * np.expm1(t * rate / length))
    return _faded(wave, rate_hz, 0.01)


def mark(rate_hz: int) -> _Signal:
    """The mark of amplitude 1: a short exponential sweep under a Hann window."""
    frames = round(MARK_S * rate_hz)
    t = np.arange(frames) / rate_hz
    rate = np.log(MARK_TO_HZ / MARK_FROM_HZ)
    wave = np.sin(2.0 * np.pi * MARK_FROM_HZ * MARK_S / rate * np.expm1(t * rate / MARK_S))
    return np.asarray(wave * np.hanning(frames))


def _wave(one: Stretch, frames: int, rate_hz: int) -> _Signal:
    amplitude = 10.0 ** (one.level_dbfs / 20.0)
    t = np.arange(frames) / rate_hz
    match one.shape:
        case "silence":
            return np.zeros(frames)
        case "mark":
            return np.asarray(amplitude * mark(rate_hz))
        case "tone":
            return np.asarray(amplitude * np.sin(2.0 * np.pi * one.freq_hz * t))
        case "rise":
            # From -40 dBFS to the level, straight in dB.
            fall_db = (one.level_dbfs + 40.0) * (t / one.seconds - 1.0)
            return np.asarray(amplitude * 10.0 ** (fall_db / 20.0) * np.sin(2.0 * np.pi * one.freq_hz * t))
        case "sweep":
            return np.asarray(amplitude * sweep(frames, rate_hz))
        case "between":
            return np.asarray(amplitude * np.sin(0.5 * np.pi * np.arange(frames) + 0.25 * np.pi))
        case "noise":
            return _at_rate(amplitude * np.sqrt(0.5) * _white(one.seconds, 1), frames, rate_hz)
        case "flat":
            return np.asarray(amplitude * np.sqrt(0.5) * _harmonics(t, one.freq_hz, flat=True))
        case "peaky":
            return np.asarray(amplitude * np.sqrt(0.5) * _harmonics(t, one.freq_hz, flat=False))
        case "pulse":
            return _pulse(one, t, rate_hz)
        case "programme":
            return np.asarray(amplitude * _programme(one.seconds, frames, rate_hz))


def _pulse(one: Stretch, t: _Signal, rate_hz: int) -> _Signal:
    """A tone with a stretch at full scale in its middle, begun and ended where it crosses zero, or one sample."""
    wave = 10.0 ** (one.level_dbfs / 20.0) * np.sin(2.0 * np.pi * one.freq_hz * t)
    at = round(0.3 * rate_hz)
    if one.width_ms == 0.0:
        wave[at] = 1.0
    else:
        width = round(1e-3 * one.width_ms * rate_hz)
        wave[at : at + width] = np.sin(2.0 * np.pi * 2000.0 * np.arange(width) / rate_hz)
    return np.asarray(wave)


def _harmonics(t: _Signal, freq_hz: float, *, flat: bool) -> _Signal:
    """Sixteen harmonics of rms 1: a square wave's, rounded (crest 1.6 dB), or equal ones in phase (crest 15 dB)."""
    orders = np.arange(1, 16, 2) if flat else np.arange(1, 17)
    weights = np.sinc(orders / 17.0) / orders if flat else np.ones(orders.size)
    phase = 2.0 * np.pi * freq_hz * t[:, None] * orders
    wave = (np.sin(phase) if flat else np.cos(phase)) @ weights
    return np.asarray(wave / np.sqrt(0.5 * np.sum(weights**2)))


def _white(seconds: float, seed: int) -> _Signal:
    """Noise of rms 1 up to 15 kHz at MADE_HZ, no sample over 4."""
    frames = round(seconds * MADE_HZ)
    spectrum = np.fft.rfft(np.random.default_rng(seed).standard_normal(frames))
    spectrum[np.fft.rfftfreq(frames, 1.0 / MADE_HZ) > 15000.0] = 0.0
    noise = np.fft.irfft(spectrum, frames)
    return np.asarray(np.clip(noise / np.sqrt(np.mean(noise**2)), -4.0, 4.0))


def _programme(seconds: float, frames: int, rate_hz: int) -> _Signal:
    """Struck low notes, noise hits and a held chord, both sides a little unlike; peak 1, shape (frames, 2)."""
    made = round(seconds * MADE_HZ)
    t = np.arange(made) / MADE_HZ
    total = np.zeros((made, 2))
    kick = np.sin(2.0 * np.pi * 55.0 * (t % 0.5)) * np.exp(-(t % 0.5) / 0.12)
    offbeat = (t + 0.25) % 0.5
    total += (0.9 * kick)[:, None]
    for side, seed in enumerate((2, 3)):
        hits = _white(seconds, seed)[:made]
        total[:, side] += 0.16 * hits * np.exp(-offbeat / 0.06) * (0.6 + 0.4 * np.sin(2.0 * np.pi * 0.31 * t))
        for k, hz in enumerate((196.0, 246.9, 293.7, 440.0)):
            swell = 0.5 + 0.5 * np.sin(2.0 * np.pi * (0.13 + 0.05 * k) * t + side)
            total[:, side] += 0.05 * swell * np.sin(2.0 * np.pi * hz * t + k)
    total *= (0.4 + 0.6 * np.clip(t / (0.5 * seconds), 0.0, 1.0))[:, None]
    total = _faded(total, MADE_HZ, 0.01)
    return _at_rate(total / np.abs(total).max(), frames, rate_hz)


def _at_rate(made: _Signal, frames: int, rate_hz: int) -> _Signal:
    if rate_hz == MADE_HZ:
        return made[:frames]
    common = np.gcd(rate_hz, MADE_HZ)
    sound = scipy.signal.resample_poly(made, rate_hz // common, MADE_HZ // common, axis=0)
    out = np.zeros((frames, *made.shape[1:]))
    out[: min(frames, len(sound))] = sound[:frames]
    return out


def _faded(wave: _Signal, rate_hz: int, seconds: float = _FADE_S) -> _Signal:
    ramp = np.sin(0.5 * np.pi * np.linspace(0.0, 1.0, round(seconds * rate_hz))) ** 2
    shape = (-1,) + (1,) * (wave.ndim - 1)
    out = wave.copy()
    out[: ramp.size] *= ramp.reshape(shape)
    out[-ramp.size :] *= ramp[::-1].reshape(shape)
    return out
