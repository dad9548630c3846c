"""Sounds and settings that would have a master pass its ceiling, and whether it does."""

from collections.abc import Callable
from random import Random

import numpy as np
import numpy.typing as npt
import pyebur128

from autochain.audio.dither import quantise
from autochain.audio.mix import Mix
from autochain.chain.chain import DEFAULT
from autochain.chain.output import with_silence
from autochain.chain.parameter import Parameter
from autochain.chain.settings import OUTPUT, ChainSettings, Value
from autochain.config.model import Target
from autochain.errors import AutochainError
from autochain.measure.true_peak import read_true_peak
from autochain.render.master import make_master, room_for_dither
from tests.hostile.outcomes import REFUSED, RIGHT

_Sound = npt.NDArray[np.float32]
RATES_HZ = (44100, 48000, 96000)
_FRAMES = 12_000
_NEEDED = ("drive", "limiter", OUTPUT)


def _sine(frames: int, rate_hz: int, chance: Random) -> npt.NDArray[np.float64]:
    hz = rate_hz * chance.choice((0.25, 0.5 - 1e-4, 1 / 3, 0.2, chance.uniform(0.001, 0.499)))
    return np.asarray(np.sin(2.0 * np.pi * hz / rate_hz * np.arange(frames) + chance.uniform(0.0, 6.3)))


def _square(frames: int, rate_hz: int, chance: Random) -> npt.NDArray[np.float64]:
    period = chance.choice((2, 3, 4, 7, 100, 1000))
    return np.where(np.arange(frames) % period < period / 2, 1.0, -1.0)


def _impulses(frames: int, rate_hz: int, chance: Random) -> npt.NDArray[np.float64]:
    sound = np.zeros(frames)
    for _ in range(chance.choice((1, 2, 20))):
        at, length = chance.randrange(frames), chance.choice((1, 2, 3, 8))
        sound[at : at + length] = chance.choice((1.0, -1.0))
    return sound


def _alternating(frames: int, rate_hz: int, chance: Random) -> npt.NDArray[np.float64]:
    """Signs that add up between samples: what makes an interpolator overshoot most."""
    at = np.arange(frames)
    pattern = np.where(at % 2, 1.0, -1.0) * np.where(at < frames // 2, 1.0, -1.0)
    return np.asarray(pattern * (at % chance.choice((1, 13, 500)) < 12))


def _noise(frames: int, rate_hz: int, chance: Random) -> npt.NDArray[np.float64]:
    return np.random.default_rng(chance.randrange(2**32)).standard_normal(frames)


def _steps(frames: int, rate_hz: int, chance: Random) -> npt.NDArray[np.float64]:
    edges = sorted(chance.randrange(frames) for _ in range(6))
    return np.asarray(np.searchsorted(edges, np.arange(frames)) % 2 * 2.0 - 1.0)


_SOUNDS: tuple[Callable[[int, int, Random], npt.NDArray[np.float64]], ...] = (
    _sine, _square, _impulses, _alternating, _noise, _steps,
)  # fmt: skip


def _value(parameter: Parameter, chance: Random) -> Value:
    if parameter.choices:
        return chance.choice(parameter.choices)
    low, high = parameter.low, parameter.high
    value = chance.choice((low, high, chance.uniform(low, high), float(parameter.default)))
    if parameter.scale == "log" and low > 0.0:
        value = chance.choice((value, low * (high / low) ** chance.random()))
    return float(min(high, max(low, round(value) if parameter.whole else value)))


def hostile_master(chance: Random) -> tuple[Mix, ChainSettings, float, int]:
    """Mix, complete settings, ceiling in dBTP and word length of a file."""
    rate_hz, channels = chance.choice(RATES_HZ), chance.choice((1, 2))
    sides = []
    for _ in range(channels):
        parts = [chance.choice(_SOUNDS)(_FRAMES, rate_hz, chance) for _ in range(chance.choice((1, 1, 2)))]
        sides.append(sum(parts) * 10.0 ** (chance.uniform(-40.0, 30.0) / 20.0))
    samples: _Sound = np.ascontiguousarray(np.stack(sides, axis=1), dtype=np.float32)
    stages = [name for name in DEFAULT.stages if name in _NEEDED or chance.random() < 0.4]
    given: dict[str, dict[str, Value]] = {
        name: {p.name: _value(p, chance) for p in DEFAULT.stage(name).parameters if chance.random() < 0.7}
        for name in stages
    }
    for name in ("head_cut_ms", "tail_cut_ms"):
        given[OUTPUT][name] = chance.choice((0.0, chance.uniform(0.0, 50.0)))  # of a sound of 125 ms and more
    if chance.random() < 0.3:
        given["limiter"]["ceiling_dbtp"] = 0.0
    mix = Mix(samples=samples, rate_hz=rate_hz, file="hostile.wav", sha256="", subtype="FLOAT")
    settings = DEFAULT.checked(given)
    return mix, settings, chance.choice((-1.0, 0.0, -0.1, chance.uniform(-20.0, 0.0))), chance.choice((16, 24))


def held(mix: Mix, settings: ChainSettings, ceiling_dbtp: float, bits: int) -> str:
    """`right`, or by how much the file passes its ceiling, by our meters and by one from outside the project."""
    target = Target(lufs=-14.0, ceiling_dbtp=ceiling_dbtp)
    try:
        made = make_master(mix, DEFAULT, settings, target)
    except AutochainError:
        return REFUSED
    heard = with_silence(made.samples, mix.rate_hz, made.settings[OUTPUT])
    if not len(heard):
        return RIGHT
    quiet = np.concatenate([*room_for_dither(heard, made.peak_dbtp, ceiling_dbtp, bits)])
    words = quantise(quiet, bits, np.random.default_rng(1))
    sound = (words * 2.0 ** (1 - bits)).astype(np.float32)
    if not np.isfinite(made.samples).all():
        return "samples that are not finite"
    own = read_true_peak(sound, mix.rate_hz).highest_dbtp
    over_db = max(-np.inf if own is None else own, outside_dbtp(sound, mix.rate_hz)) - ceiling_dbtp
    return RIGHT if over_db <= 0.0 else f"{over_db:.4f} dB over"


def outside_dbtp(sound: _Sound, rate_hz: int) -> float:
    """True peak as libebur128 reads it."""
    channels = sound.shape[1]
    state = pyebur128.R128State(channels, rate_hz, pyebur128.MeasurementMode.MODE_TRUE_PEAK)
    state.add_frames(np.ascontiguousarray(sound).ravel(), len(sound))
    peak = max(pyebur128.get_true_peak(state, channel) for channel in range(channels))
    return -np.inf if peak <= 0.0 else float(20.0 * np.log10(peak))
