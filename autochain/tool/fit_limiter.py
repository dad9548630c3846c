"""A limiter fitted: ceiling, true or sample peak, look-ahead, attack, release, link.

The ceiling is what a loud tone's peaks come out at. A tone that lies between the samples tells whether the true peak is
limited. Then each way of `limiter_model` is led to the gains read around pulses and bursts; the closest is kept, its
look-ahead found to the sample.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from autochain.tool.align import Bounce
from autochain.tool.fit_compressor import gain_error_db, of_level, steps_db
from autochain.tool.gain_curve import gain_db
from autochain.tool.levenberg import least_squares
from autochain.tool.limiter_model import LimiterModel, sizes

Floats = npt.NDArray[np.float64]

_FITTED_ON = ("pulses", "limit_bursts")
_LN_TIMES = (math.log(0.02), math.log(5000.0))
_RUN_UP_S = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LimiterFit:
    """What was found; `residual_db`, `programme_db` as of `CompressorFit`, `runner_up_db` of the next best way."""

    model: LimiterModel
    residual_db: float
    programme_db: float
    runner_up_db: float


class _Read:
    def __init__(self, bounce: Bounce, true_peak: bool) -> None:
        rate_hz = bounce.rate_hz
        segments = [one for name in _FITTED_ON for one in bounce.of(name)]
        whole = slice(segments[0].span(rate_hz).start, segments[-1].span(rate_hz).stop)
        played, heard = bounce.both(whole)
        places = list[int]()
        for one in segments:
            span = one.span(rate_hz)
            # A step comes 0.3 s into a pulse's stretch, or where the next burst begins.
            if one.shape == "pulse":
                places.append(span.start)
            at = span.start + (round(0.3 * rate_hz) if one.shape == "pulse" else 0)
            last = (span.stop - at) / rate_hz * 1e3
            ms = np.concatenate([np.arange(-24.0, 12.0, 0.5), np.geomspace(12.0, 2000.0, 40)])
            places += [at + round(1e-3 * t * rate_hz) for t in ms if t < last - 24.0]
        self.rate_hz = rate_hz
        inside = [p - whole.start for p in places if whole.start <= p < whole.stop]
        self.starts = np.unique(np.array(inside, dtype=np.int64))
        left = np.ascontiguousarray(played[:, 0])
        self.power = left**2
        self.size = sizes(np.ascontiguousarray(played[:, :1]), true_peak)[:, 0]
        self.gains_db = gain_db(played, heard, self.starts)
        self.usable = np.isfinite(self.gains_db) & (of_level(self.power, self.starts) > -60.0)

    def error(self, model: LimiterModel) -> Floats:
        gain = model.gain(self.size, self.rate_hz)
        total = np.add.reduceat(self.power, self.starts)
        turned = np.add.reduceat(self.power * gain, self.starts)
        with np.errstate(divide="ignore", invalid="ignore"):
            wanted = 20.0 * np.log10(turned / total) + model.gain_db
        return np.asarray((wanted - self.gains_db)[self.usable])


def fit_limiter(bounce: Bounce) -> LimiterFit:
    """Fit every way and keep the closest."""
    rate_hz = bounce.rate_hz
    rest_db = steps_db(bounce, "gain")[0][1]
    top = bounce.of("limit_stairs")[-1].span(rate_hz)
    _, loud = bounce.both(slice(top.stop - round(0.2 * rate_hz), top.stop))
    ceiling_db = 20.0 * math.log10(float(np.abs(loud).max())) - rest_db
    true_peak = _true_peak(bounce, ceiling_db, rest_db)
    read = _Read(bounce, true_peak)
    release_ms = _release_ms(bounce)
    first = LimiterModel(
        ceiling_dbfs=ceiling_db, way="smooth", release_ms=release_ms, lookahead_ms=2.0, attack_ms=2.0,
        true_peak=true_peak, gain_db=rest_db, linked=_linked(bounce, rest_db),
    )  # fmt: skip
    ahead_ms = _lookahead_ms(bounce)
    starts = (
        replace(first, lookahead_ms=max(0.3, ahead_ms), attack_ms=max(0.3, ahead_ms)),
        replace(first, way="ramp", lookahead_ms=ahead_ms, release_ms=1.6 * release_ms),
        replace(first, way="instant", lookahead_ms=0.0, attack_ms=0.0),
    )
    done = sorted((_led(read, model) for model in starts), key=lambda one: one[0])
    residual, model = _ahead_exactly(read, *done[0])
    (one,) = bounce.of("programme")
    span, before = one.span(rate_hz), round(_RUN_UP_S * rate_hz)
    played, heard = bounce.both(slice(span.start - before, span.stop))
    made = model.process(np.ascontiguousarray(played), rate_hz)
    return LimiterFit(
        model=model,
        residual_db=residual,
        programme_db=gain_error_db(played[before:], heard[before:], made[before:], rate_hz),
        runner_up_db=done[1][0],
    )


def _led(read: _Read, model: LimiterModel) -> tuple[float, LimiterModel]:
    smooth = model.way == "smooth"

    def of(point: Floats) -> LimiterModel:
        found = replace(model, release_ms=math.exp(point[0]), ceiling_dbfs=float(point[1]))
        if model.way != "instant":
            found = replace(found, lookahead_ms=math.exp(point[2]))
        if smooth:
            found = replace(found, attack_ms=min(math.exp(point[3]), math.exp(point[2])))
        return found

    start = [math.log(model.release_ms), model.ceiling_dbfs]
    bounds = [_LN_TIMES, (model.ceiling_dbfs - 0.5, model.ceiling_dbfs + 0.5)]
    steps = [0.05, 0.02]
    if model.way != "instant":
        start.append(math.log(max(0.02, model.lookahead_ms)))
        bounds.append((math.log(0.02), math.log(60.0)))
        steps.append(0.1)
    if smooth:
        start.append(math.log(max(0.02, model.attack_ms)))
        bounds.append((math.log(0.02), math.log(60.0)))
        steps.append(0.1)
    point, errors = least_squares(lambda p: read.error(of(p)), start, bounds, steps, 15)
    return float(np.sqrt(np.mean(errors**2))), of(point)


def _ahead_exactly(read: _Read, residual: float, model: LimiterModel) -> tuple[float, LimiterModel]:
    """Look-ahead and attack to the sample, by trying neighbours."""
    frame_ms = 1e3 / read.rate_hz
    best = model
    names = ("lookahead_ms", "attack_ms") if model.way == "smooth" else ("lookahead_ms",)
    step = max(1, round(0.1 * model.lookahead_ms / frame_ms))
    while step:
        moved = False
        for name in names:
            for sign in (-1, 1):
                at = round(getattr(best, name) / frame_ms) + sign * step
                if at < 0:
                    continue
                tried = replace(best, **{name: at * frame_ms})
                value = float(np.sqrt(np.mean(read.error(tried) ** 2)))
                if value < residual:
                    best, residual, moved = tried, value, True
                    break
        step = step if moved else step // 2
    return residual, best


def _true_peak(bounce: Bounce, ceiling_db: float, rest_db: float) -> bool:
    """Whether a tone between the samples is turned down by its true peak."""
    ((level, gain),) = steps_db(bounce, "between")
    taken = rest_db - gain
    samples_db, true_db = level - 10.0 * math.log10(2.0), level
    return abs(taken - max(0.0, true_db - ceiling_db)) < abs(taken - max(0.0, samples_db - ceiling_db))


def _course(bounce: Bounce, begin: int, stop: int, block_ms: float) -> tuple[Floats, Floats]:
    block = max(1, round(1e-3 * block_ms * bounce.rate_hz))
    count = (stop - begin) // block
    played, heard = bounce.both(slice(begin, begin + count * block))
    starts = np.arange(count) * block
    return 1e3 * (starts + 0.5 * block) / bounce.rate_hz, gain_db(played, heard, starts)


def _release_ms(bounce: Bounce) -> float:
    """Time to 63 % of the way back behind the longest pulse."""
    last = bounce.of("pulses")[-1]
    begin = last.span(bounce.rate_hz).start + round((0.3 + 1e-3 * last.width_ms + 0.001) * bounce.rate_hz)
    at_ms, gains = _course(bounce, begin, last.span(bounce.rate_hz).stop, 1.0)
    whole = gains[-1] - gains[0]
    if whole < 0.2:
        return 50.0
    return float(max(1.0, at_ms[np.flatnonzero(gains - gains[0] > 0.632 * whole)[0]]))


def _lookahead_ms(bounce: Bounce) -> float:
    """By how much the gain moves ahead of a single sample at full scale."""
    one = bounce.of("pulses")[1]
    at = one.span(bounce.rate_hz).start + round(0.3 * bounce.rate_hz)
    begin = at - round(0.1 * bounce.rate_hz)
    at_ms, gains = _course(bounce, begin, at, 1.0 / 6.0)
    fallen = np.nanmax(gains) - gains[-1]
    if not fallen > 0.2:
        return 0.02
    still = np.flatnonzero(gains > np.nanmax(gains) - max(0.05, 0.02 * fallen))
    return float(max(0.02, 100.0 - at_ms[still[-1]]))


def _linked(bounce: Bounce, rest_db: float) -> bool:
    """Whether the quiet side goes down with the loud one."""
    segments = {one.sides: one for one in bounce.of("link")}
    if "left" not in segments:
        return True
    span = segments["left"].span(bounce.rate_hz)
    played, heard = bounce.both(slice(span.stop - round(0.2 * bounce.rate_hz), span.stop))
    place = np.zeros(1, dtype=np.int64)
    loud, quiet = (rest_db - float(gain_db(played[:, k : k + 1], heard[:, k : k + 1], place)[0]) for k in (0, 1))
    return quiet > 0.4 * loud
