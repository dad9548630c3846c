"""A compressor fitted: curve, times, detector, link, side chain, look-ahead.

Every model of `compressor_model` is led by least squares to the gains read from stairs, bursts and crests, all at once:
how a tone's level is heard depends on the times, so that a curve read by itself would be off by up to a dB. The model
that comes closest is kept. The programme at the end of the test takes no part; how far off the model is there is what
the fit is worth.
"""

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from autochain.chain.crossover import Cascade, butterworth_high
from autochain.tool.align import Bounce
from autochain.tool.compressor_model import CompressorModel
from autochain.tool.gain_curve import edges, gain_db, of_reduction_db
from autochain.tool.levenberg import least_squares

Floats = npt.NDArray[np.float64]

_FITTED_ON = ("stairs", "bursts", "crests")
_KINDS: tuple[dict[str, Any], ...] = (
    {"smooths": "level", "detector": "rms"},
    {"smooths": "level", "detector": "peak"},
    {"smooths": "reduction", "detector": "peak", "shape": "holds"},
    {"smooths": "reduction", "detector": "peak", "shape": "follows"},
    {"smooths": "reduction", "detector": "rms", "shape": "holds"},
    {"smooths": "reduction", "detector": "rms", "shape": "follows"},
)
_TIMES_MS = (0.01, 5000.0)
_BOUNDS = ((-60.0, 6.0), (0.02, 0.9995), (0.0, 40.0), *[tuple(map(math.log, _TIMES_MS))] * 2, (-30.0, 30.0))
_STEPS = (0.05, 0.005, 0.3, 0.03, 0.03, 0.02)
_RMS_BOUNDS, _RMS_STEP = (math.log(0.2), math.log(300.0)), 0.03
_KEPT = 3  # models that are led on after a first look, if their error is not
_NEAR = 2.5  # times that of the nearest
_SIDECHAIN_ROUNDS = 2
_RUN_UP_S = 2.0  # before the programme


@dataclass(frozen=True, slots=True, kw_only=True)
class CompressorFit:
    """What was found.

    Attributes
    ----------
    model
        The model that comes closest.
    residual_db
        rms of its error in gain over what it was fitted on.
    programme_db
        The same over the programme, in blocks of 10 ms, where it is heard.
    runner_up_db
        `residual_db` of the best model with the other detector: how sure the detector is.
    """

    model: CompressorModel
    residual_db: float
    programme_db: float
    runner_up_db: float


class _Read:
    """What is fitted, read once: gains of the bounce, and the sound that the models hear."""

    def __init__(self, bounce: Bounce, sidechain_hpf_hz: float = 0.0) -> None:
        segments = [one for name in _FITTED_ON for one in bounce.of(name)]
        self.rate_hz = bounce.rate_hz
        whole = slice(segments[0].span(self.rate_hz).start, segments[-1].span(self.rate_hz).stop)
        played, heard = bounce.both(whole)
        self.starts = edges(segments, self.rate_hz, whole.start)
        left = np.ascontiguousarray(played[:, :1])  # both sides are alike here
        self.power = left[:, 0] ** 2
        if sidechain_hpf_hz:
            Cascade([butterworth_high(sidechain_hpf_hz, self.rate_hz)], 1).run(left.copy(), left)
        self.size = np.abs(left[:, 0])
        self.peak_db = 20.0 * np.log10(np.maximum(self.size, 1e-10))
        self.gains_db = gain_db(played, heard, self.starts)
        self.usable = np.isfinite(self.gains_db) & (of_level(self.power, self.starts) > -70.0)

    def error(self, model: CompressorModel) -> Floats:
        """Error in gain of every block, dB."""
        reduction = model.of_size(self.size, self.rate_hz, self.peak_db)
        ahead = round(1e-3 * model.lookahead_ms * self.rate_hz)
        if ahead:
            reduction = np.concatenate([reduction[ahead:], np.full(ahead, reduction[-1])])
        wanted = of_reduction_db(self.power, reduction, self.starts) + model.gain_db
        return np.asarray((wanted - self.gains_db)[self.usable])


def of_level(power: Floats, starts: npt.NDArray[np.int64]) -> Floats:
    """Level of blocks in dBFS rms."""
    counts = np.diff(np.append(starts, power.size))
    return np.asarray(10.0 * np.log10(np.maximum(np.add.reduceat(power, starts) / counts, 1e-20)))


def fit_compressor(bounce: Bounce) -> CompressorFit:
    """Fit every model and keep the closest."""
    read = _Read(bounce)
    start = _first_guess(bounce)
    ahead_ms = _lookahead_ms(bounce)
    tried = list[tuple[float, CompressorModel]]()
    for kind in _KINDS:
        first = replace(start, lookahead_ms=ahead_ms, **kind)
        tried.append(_led(read, first, rounds=4))
    tried.sort(key=lambda one: one[0])
    done = [_led(read, tried[0][1], rounds=25)]
    # Those that cannot come near any more are not led on.
    done += [_led(read, model, rounds=15) for value, model in tried[1:_KEPT] if value < _NEAR * tried[0][0]]
    done.sort(key=lambda one: one[0])
    residual, model = done[0]
    if ahead_ms:
        residual, model = _ahead_exactly(read, model)
    others = [value for value, other in (*done, *tried) if other.detector != model.detector]
    model = replace(model, link=_link(bounce, model))
    for _ in range(_SIDECHAIN_ROUNDS):
        corner_hz = _sidechain_hpf_hz(bounce, model)
        if not corner_hz:
            break
        # What a high-pass does to the peaks of all that the rest was fitted on.
        residual, model = _led(_Read(bounce, corner_hz), model, rounds=15)
        model = replace(model, sidechain_hpf_hz=corner_hz)
    return CompressorFit(
        model=model,
        residual_db=residual,
        programme_db=programme_error_db(bounce, model),
        runner_up_db=min(others),
    )


def _led(read: _Read, model: CompressorModel, rounds: int) -> tuple[float, CompressorModel]:
    """Lead a model to the gains; rms error and model."""
    windowed = model.smooths == "reduction" and model.detector == "rms"

    def of(point: Floats) -> CompressorModel:
        values = {
            "threshold_dbfs": float(point[0]), "ratio": 1.0 / (1.0 - float(point[1])), "knee_db": float(point[2]),
            "attack_ms": math.exp(point[3]), "release_ms": math.exp(point[4]), "gain_db": float(point[5]),
        }  # fmt: skip
        if windowed:
            values["rms_ms"] = math.exp(point[6])
        return replace(model, **values)  # type: ignore[arg-type]

    start = [
        model.threshold_dbfs, 1.0 - 1.0 / model.ratio, model.knee_db, math.log(model.attack_ms),
        math.log(model.release_ms), model.gain_db,
    ]  # fmt: skip
    bounds, steps = list(_BOUNDS), list(_STEPS)
    if windowed:
        start.append(math.log(model.rms_ms))
        bounds.append(_RMS_BOUNDS)
        steps.append(_RMS_STEP)
    point, errors = least_squares(lambda p: read.error(of(p)), start, bounds, steps, rounds)  # type: ignore[arg-type]
    return float(np.sqrt(np.mean(errors**2))), of(point)


def _ahead_exactly(read: _Read, model: CompressorModel) -> tuple[float, CompressorModel]:
    """Look-ahead to the sample, by trying neighbours, then all else once more."""
    frame_ms = 1e3 / read.rate_hz
    best, residual = model, float(np.sqrt(np.mean(read.error(model) ** 2)))
    step = max(1, round(0.2 / frame_ms))
    while step:
        moved = False
        for sign in (-1, 1):
            tried = replace(best, lookahead_ms=max(0.0, best.lookahead_ms + sign * step * frame_ms))
            value = float(np.sqrt(np.mean(read.error(tried) ** 2)))
            if value < residual:
                best, residual, moved = tried, value, True
                break
        step = step if moved else step // 2
    return _led(read, best, rounds=10)


def steps_db(bounce: Bounce, group: str) -> list[tuple[float, float]]:
    """(level, gain) of every step of stairs: peak level in dBFS and the gain over its last third in dB."""
    found = []
    for one in bounce.of(group):
        span = one.span(bounce.rate_hz)
        played, heard = bounce.both(slice(span.stop - (span.stop - span.start) // 3, span.stop))
        found.append((one.level_dbfs, float(gain_db(played, heard, np.zeros(1, dtype=np.int64))[0])))
    return found


def _first_guess(bounce: Bounce) -> CompressorModel:
    """Curve from the rising stairs, times from the way of the gain in the largest burst."""
    steps = [pair for pair in steps_db(bounce, "stairs") if np.isfinite(pair[1])][:17]
    levels, gains = np.array(steps).T
    rest_db = float(gains[:3].mean())
    reduction = rest_db - gains
    slopes = np.diff(reduction) / np.diff(levels)
    slope = float(np.clip(np.median(slopes[-3:]), 0.05, 0.999))
    threshold = float(levels[-1] - reduction[-1] / slope)
    return CompressorModel(
        threshold_dbfs=threshold,
        ratio=1.0 / (1.0 - slope),
        knee_db=4.0,
        attack_ms=_time_ms(bounce, rising=True),
        release_ms=_time_ms(bounce, rising=False),
        gain_db=rest_db,
    )


def _time_ms(bounce: Bounce, *, rising: bool) -> float:
    """Time to 63 % of the way of the gain at the largest burst, or behind it."""
    bursts = bounce.of("bursts")
    place = max(range(len(bursts)), key=lambda k: (bursts[k].seconds >= 0.5, bursts[k].level_dbfs))
    one = bursts[place if rising else place + 1]
    at_ms, gains = course(bounce, one.span(bounce.rate_hz))
    whole = gains[-1] - gains[0]
    if abs(whole) < 0.3:
        return 10.0 if rising else 100.0
    passed = np.flatnonzero((gains - gains[0]) / whole > 0.632)
    return float(max(0.3, at_ms[passed[0]]))


def course(bounce: Bounce, span: slice, block_ms: float = 1.0) -> tuple[Floats, Floats]:
    """Gain in dB over a stretch, a value every `block_ms`, and where the blocks end in ms."""
    block = max(1, round(1e-3 * block_ms * bounce.rate_hz))
    played, heard = bounce.both(span)
    count = len(played) // block
    starts = np.arange(count) * block
    gains = gain_db(played[: count * block], heard[: count * block], starts)
    good = np.isfinite(gains)
    at_ms = 1e3 * (starts + block) / bounce.rate_hz
    return at_ms[good], gains[good]


def _lookahead_ms(bounce: Bounce) -> float:
    """By how much the gain moves before the largest burst; 0 where it does not."""
    bursts = bounce.of("bursts")
    place = max(range(1, len(bursts)), key=lambda k: (bursts[k].seconds >= 0.5, bursts[k].level_dbfs))
    span = bursts[place - 1].span(bounce.rate_hz)
    last = slice(span.stop - round(0.03 * bounce.rate_hz), span.stop)
    at_ms, gains = course(bounce, last, 0.25)
    # On its way back from the burst before, the gain rises; what turns it down again is ahead.
    fallen = gains.max() - gains[-1]
    still = np.flatnonzero(gains > gains.max() - max(0.05, 0.05 * fallen))
    return float(at_ms[-1] - at_ms[still[-1]]) if fallen > 0.3 else 0.0


def _link(bounce: Bounce, model: CompressorModel) -> Any:
    """What the quiet side does while the other is loud, and how much one loud side counts."""
    segments = {one.sides: one for one in bounce.of("link")}
    if not segments:
        return model.link

    def reduction(sides: str, channel: int) -> float:
        span = segments[sides].span(bounce.rate_hz)  # type: ignore[index]
        last = slice(span.stop - (span.stop - span.start) // 3, span.stop)
        played, heard = (sound[:, channel : channel + 1] for sound in bounce.both(last))
        return model.gain_db - float(gain_db(played, heard, np.zeros(1, dtype=np.int64))[0])

    both, loud, quiet = reduction("both", 0), reduction("left", 0), reduction("left", 1)
    if both < 0.5:
        return model.link
    if quiet < 0.4 * loud:
        return "own"
    slope = 1.0 - 1.0 / model.ratio
    return "loudest" if (both - loud) / slope < 2.5 else "mean"


def _sidechain_hpf_hz(bounce: Bounce, model: CompressorModel) -> float:
    """Corner of a high-pass before the detector: the one that explains best what low tones are turned down by."""
    segments = [one for one in bounce.of("side") if one.freq_hz <= 1000.0]
    if not segments:
        return 0.0
    rate_hz = bounce.rate_hz
    whole = slice(segments[0].span(rate_hz).start, segments[-1].span(rate_hz).stop)
    played, heard = bounce.both(whole)
    starts = np.array(
        [s for one in segments for s in (one.span(rate_hz).start, one.span(rate_hz).stop - round(0.2 * rate_hz))]
    )
    starts -= whole.start
    gains = gain_db(played, heard, starts)[1::2]

    def error(corner_hz: float) -> float:
        reduction = replace(model, sidechain_hpf_hz=corner_hz, lookahead_ms=0.0, link="loudest").reduction_db(
            played, rate_hz
        )[:, 0]
        found = of_reduction_db(played[:, 0] ** 2, reduction, starts)[1::2] + model.gain_db
        return float(np.sqrt(np.nanmean((found - gains) ** 2)))

    without = error(0.0)
    if without < 0.25:
        return 0.0
    corners = [20.0 * 2.0 ** (k / 3.0) for k in range(14)]
    best = min(corners, key=error)
    fine = min((best * 2.0 ** (k / 24.0) for k in range(-4, 5)), key=error)
    return float(fine) if error(fine) < 0.6 * without else 0.0


def programme_error_db(bounce: Bounce, model: Any, block_ms: float = 10.0) -> float:
    """Rms of a model's error in gain over the programme, in blocks that are within 40 dB of the loudest."""
    (one,) = bounce.of("programme")
    span, before = one.span(bounce.rate_hz), round(_RUN_UP_S * bounce.rate_hz)
    played, heard = bounce.both(slice(span.start - before, span.stop))
    made = model.process(np.ascontiguousarray(played), bounce.rate_hz)
    return gain_error_db(played[before:], heard[before:], made[before:], bounce.rate_hz, block_ms)


def gain_error_db(played: Floats, heard: Floats, made: Floats, rate_hz: int, block_ms: float = 10.0) -> float:
    """Rms difference in dB of the gains of two outputs over one input, block by block."""
    block = round(1e-3 * block_ms * rate_hz)
    starts = np.arange(len(played) // block) * block
    length = len(starts) * block
    level = of_level(np.sum(played[:length] ** 2, axis=1), starts)
    difference = gain_db(played[:length], heard[:length], starts) - gain_db(played[:length], made[:length], starts)
    loud = (level > level.max() - 40.0) & np.isfinite(difference)
    return float(np.sqrt(np.mean(difference[loud] ** 2)))

