"""A clipper fitted: its curve read from a slowly rising low tone, and ours nearest to it."""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from autochain.chain.clipper import clipping_curve
from autochain.tool.align import Bounce
from autochain.tool.clipper_model import ClipperModel
from autochain.tool.fit_compressor import steps_db
from autochain.tool.levenberg import least_squares

Floats = npt.NDArray[np.float64]

OURS_FITS_DB = 0.05  # rms; over it the tool's own curve is kept
_FROM_DB, _STEP_DB = -39.0, 0.5
_FOLDED_DB = -70.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ClipperFit:
    """What was found.

    Attributes
    ----------
    model
        Ours, or the measured curve where ours fits badly.
    curve_db
        The measured curve: (input dBFS, gain dB).
    residual_db
        rms error of ours over the upper 24 dB of the curve.
    programme_db
        Level of what the model misses in the programme, dB under its output.
    asymmetry_db
        Most that up and down differ.
    """

    model: ClipperModel
    curve_db: tuple[tuple[float, float], ...]
    residual_db: float
    programme_db: float
    asymmetry_db: float


def fit_clipper(bounce: Bounce) -> ClipperFit:
    """Read the curve and fit ours to it."""
    rest_db = steps_db(bounce, "gain")[0][1]
    levels, gains, asymmetry_db = read_curve(bounce)
    gains = gains - rest_db
    upper = levels > -24.0

    def ours_db(point: Floats) -> Floats:
        size = 10.0 ** (0.05 * levels[upper])
        bent = clipping_curve(size, 10.0 ** (0.05 * float(point[0])), float(point[1]))
        return np.asarray(20.0 * np.log10(bent / size) + point[2])

    best: tuple[float, Floats] | None = None
    top = float(levels[-1] + gains[-1])
    for softness in (10.0, 60.0, 100.0):
        point, errors = least_squares(
            lambda p: ours_db(p) - gains[upper], (top, softness, 0.0),
            ((-60.0, 20.0), (0.0, 100.0), (-0.5, 0.5)), (0.05, 2.0, 0.02), 30,
        )  # fmt: skip
        value = float(np.sqrt(np.mean(errors**2)))
        if best is None or value < best[0]:
            best = value, point
    assert best is not None
    residual, point = best
    curve = tuple((round(float(a), 2), round(float(b), 3)) for a, b in zip(levels, gains, strict=True))
    model = ClipperModel(
        ceiling_dbfs=float(point[0]),
        softness=float(point[1]),
        gain_db=rest_db,
        curve_db=() if residual <= OURS_FITS_DB else curve,
        measured_at_dbfs=float(point[0]),
        oversampled=folded_db(bounce) < _FOLDED_DB,
    )
    (one,) = bounce.of("programme")
    played, heard = bounce.both(one.span(bounce.rate_hz))
    made = model.process(np.ascontiguousarray(played), bounce.rate_hz)
    missed = float(np.sum((made - heard) ** 2) / np.sum(heard**2))
    return ClipperFit(
        model=model,
        curve_db=curve,
        residual_db=residual,
        programme_db=10.0 * math.log10(max(missed, 1e-20)),
        asymmetry_db=asymmetry_db,
    )


def read_curve(bounce: Bounce) -> tuple[Floats, Floats, float]:
    """Input levels in dBFS, gain at each in dB, and how far up and down differ; from the tone at 100 Hz."""
    one = next(s for s in bounce.of("rise") if s.freq_hz == 100.0)
    played, heard = (sound[:, 0] for sound in bounce.both(one.span(bounce.rate_hz)))
    levels = np.arange(_FROM_DB, 0.01, _STEP_DB)
    size_db = 20.0 * np.log10(np.maximum(np.abs(played), 1e-9))
    sides = []
    for sign in (1.0, -1.0):
        chosen = played * sign > 0.0
        x, y = size_db[chosen], (heard * sign)[chosen] / np.abs(played[chosen])
        order = np.argsort(x)
        x, y = x[order], y[order]
        gains = []
        for level in levels:
            # A straight line through the neighbours: the last level has them on one side only.
            a, b = np.searchsorted(x, (level - 0.4, level + 0.4))
            _slope, at = np.polyfit(x[a:b] - level, y[a:b], 1)
            gains.append(at)
        sides.append(20.0 * np.log10(np.maximum(gains, 1e-6)))
    up, down = sides
    return levels, 0.5 * (up + down), float(np.abs(up - down)[levels > -24.0].max())


def folded_db(bounce: Bounce) -> float:
    """Level of what folds back of a loud tone's harmonics, dB under the tone."""
    one = bounce.of("fold")[-1]
    span = one.span(bounce.rate_hz)
    _, heard = bounce.both(slice(span.start + round(0.1 * bounce.rate_hz), span.stop - round(0.1 * bounce.rate_hz)))
    rate_hz = bounce.rate_hz
    spectrum = np.abs(np.fft.rfft(heard[:, 0] * np.hanning(len(heard)))) ** 2
    bin_hz = rate_hz / len(heard)

    def power(hz: float) -> float:
        at = round(hz / bin_hz)
        return float(spectrum[max(0, at - 3) : at + 4].sum())

    folded = 0.0
    for order in (3, 5, 7, 9, 11):
        at = (order * one.freq_hz) % rate_hz
        at = min(at, rate_hz - at)
        if order * one.freq_hz > 0.5 * rate_hz and abs(at % one.freq_hz) > 100.0 and at > 100.0:
            folded += power(at)
    return 10.0 * math.log10(max(folded, 1e-20) / max(power(one.freq_hz), 1e-20))
