"""An equaliser fitted: kind of band, frequency, gain and Q from the transfer that a sweep shows."""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import scipy.signal

from autochain.audio.sections import Section, section_response
from autochain.chain import biquad
from autochain.chain.equaliser import TYPES
from autochain.tool import signal
from autochain.tool.align import Bounce, found_mark
from autochain.tool.levenberg import least_squares

Floats = npt.NDArray[np.float64]

_FROM_HZ, _TO_HZ = 25.0, 18000.0
_TAIL_S = 0.5
_PER_OCTAVE = 12
_LEVEL_COSTS = 0.001


@dataclass(frozen=True, slots=True, kw_only=True)
class EqualiserModel:
    """One band.

    Attributes
    ----------
    type, freq_hz, gain_db, q
        As in `chain.equaliser`; no gain for a pass.
    warped
        True for the plain bilinear transform, narrow toward half the sample rate (W3C Note "Audio EQ Cookbook", 2021);
        False for curves that keep the analogue shape, as ours do.
    level_db
        Gain of everything.
    """

    type: str
    freq_hz: float
    gain_db: float
    q: float
    warped: bool = False
    level_db: float = 0.0

    def section(self, rate_hz: int) -> Section:
        """The band as a second-order section."""
        if self.warped:
            return _cookbook(self.type, self.freq_hz, self.gain_db, self.q, rate_hz)
        match self.type:
            case "bell":
                return biquad.bell(self.freq_hz, self.gain_db, self.q, rate_hz)
            case "lowshelf":
                return biquad.low_shelf(self.freq_hz, self.gain_db, self.q, rate_hz)
            case "highshelf":
                return biquad.high_shelf(self.freq_hz, self.gain_db, self.q, rate_hz)
            case "highpass":
                return biquad.high_pass(self.freq_hz, self.q, rate_hz)
            case _:
                return biquad.low_pass(self.freq_hz, self.q, rate_hz)

    def response_db(self, freq_hz: Floats, rate_hz: int) -> Floats:
        """Gain in dB, level included."""
        response = section_response(self.section(rate_hz), freq_hz, rate_hz)
        return np.asarray(20.0 * np.log10(np.maximum(np.abs(response), 1e-6)) + self.level_db)

    def process(self, samples: Floats, rate_hz: int) -> Floats:
        """Filter a sound, shape (frames, channels), float64."""
        b0, b1, b2, a1, a2 = self.section(rate_hz)
        level = 10.0 ** (0.05 * self.level_db)
        return np.asarray(level * scipy.signal.lfilter((b0, b1, b2), (1.0, a1, a2), samples, axis=0))


def _cookbook(kind: str, freq_hz: float, gain_db: float, q: float, rate_hz: int) -> Section:
    """Coefficients of the W3C Note "Audio EQ Cookbook" (2021), divided by a0."""
    w0 = 2.0 * math.pi * freq_hz / rate_hz
    A, c = 10.0 ** (gain_db / 40.0), math.cos(w0)
    alpha = math.sin(w0) / (2.0 * q)
    r = 2.0 * math.sqrt(A) * alpha
    match kind:
        case "bell":
            b, a = (1 + alpha * A, -2 * c, 1 - alpha * A), (1 + alpha / A, -2 * c, 1 - alpha / A)
        case "lowshelf":
            b = A * ((A + 1) - (A - 1) * c + r), 2 * A * ((A - 1) - (A + 1) * c), A * ((A + 1) - (A - 1) * c - r)
            a = (A + 1) + (A - 1) * c + r, -2 * ((A - 1) + (A + 1) * c), (A + 1) + (A - 1) * c - r
        case "highshelf":
            b = A * ((A + 1) + (A - 1) * c + r), -2 * A * ((A - 1) + (A + 1) * c), A * ((A + 1) + (A - 1) * c - r)
            a = (A + 1) - (A - 1) * c + r, 2 * ((A - 1) - (A + 1) * c), (A + 1) - (A - 1) * c - r
        case "highpass":
            b, a = ((1 + c) / 2, -(1 + c), (1 + c) / 2), (1 + alpha, -2 * c, 1 - alpha)
        case _:
            b, a = ((1 - c) / 2, 1 - c, (1 - c) / 2), (1 + alpha, -2 * c, 1 - alpha)
    return np.asarray(np.array([b[0], b[1], b[2], a[1], a[2]]) / a[0])


@dataclass(frozen=True, slots=True, kw_only=True)
class EqualiserFit:
    """What was found: the band, the curve it was fitted to, rms error in dB, and the next best kind's.

    `own_delay_samples` is what the band's own phase adds to the delay of the marks.
    """

    model: EqualiserModel
    own_delay_samples: float
    freq_hz: tuple[float, ...]
    measured_db: tuple[float, ...]
    residual_db: float
    runner_up_db: float


def fit_equaliser(bounce: Bounce) -> EqualiserFit:
    """Fit one band of every kind and keep the closest."""
    freq_hz, measured = swept_response(bounce, "eq_sweep")
    rate_hz = bounce.rate_hz
    kinds = [(kind, warped) for kind in TYPES for warped in (False, True)]
    done = [_led(*kind, freq_hz, measured, rate_hz) for kind in kinds]
    # A low shelf up is a high shelf down with a level: the one that leaves the level alone is meant.
    done.sort(key=lambda one: one[0] + _LEVEL_COSTS * abs(one[1].level_db))
    residual, model = done[0]
    return EqualiserFit(
        model=model,
        own_delay_samples=_own_delay_samples(model, rate_hz),
        freq_hz=tuple(map(float, freq_hz)),
        measured_db=tuple(map(float, measured)),
        residual_db=residual,
        runner_up_db=min(value for value, other in done if other.type != model.type),
    )


def _own_delay_samples(model: EqualiserModel, rate_hz: int) -> float:
    """Where the mark is found behind the band."""
    mark = np.zeros((2 * round(signal.MARK_S * rate_hz), 2))
    begin = mark.shape[0] // 4
    mark[begin : begin + round(signal.MARK_S * rate_hz)] = signal.mark(rate_hz)[:, None]
    found = found_mark(model.process(mark, rate_hz), mark.shape[0], rate_hz, rate_hz)
    return 0.0 if found is None else found[0] - begin


def _led(kind: str, warped: bool, freq_hz: Floats, measured: Floats, rate_hz: int) -> tuple[float, EqualiserModel]:
    level = float(np.median(measured))
    ends = float(np.median(measured[:6])), float(np.median(measured[-6:]))
    start_level = {"lowshelf": ends[1], "lowpass": ends[0], "highpass": ends[1], "highshelf": ends[0]}.get(kind, level)
    away = measured - start_level
    strongest = int(np.argmax(np.abs(away)))
    if kind == "bell":
        starts = [(float(freq_hz[strongest]), float(away[strongest]), q) for q in (0.5, 1.5, 5.0)]
    elif kind in ("lowshelf", "highshelf"):
        gain = float(ends[0] - start_level if kind == "lowshelf" else ends[1] - start_level)
        half = np.flatnonzero(np.abs(away) > 0.5 * abs(gain))
        at = (half[-1] if kind == "lowshelf" else half[0]) if half.size else len(freq_hz) // 2
        starts = [(float(freq_hz[at]), gain, 0.7)]
    else:
        inside = np.flatnonzero(away > -3.0)
        at = (inside[0] if kind == "highpass" else inside[-1]) if inside.size else 0
        starts = [(float(freq_hz[at]), 0.0, 0.7)]

    def of(p: Floats) -> EqualiserModel:
        gain = 0.0 if kind in ("highpass", "lowpass") else float(p[2])
        return EqualiserModel(
            type=kind, freq_hz=math.exp(p[0]), q=math.exp(p[1]), gain_db=gain, warped=warped, level_db=float(p[3])
        )

    def error(p: Floats) -> Floats:
        return np.asarray(np.maximum(of(p).response_db(freq_hz, rate_hz), -60.0) - measured)

    best: tuple[float, EqualiserModel] | None = None
    for hz, gain, q in starts:
        hz = min(max(hz, _FROM_HZ), 0.45 * rate_hz)
        point, errors = least_squares(
            error, (math.log(hz), math.log(q), gain, start_level),
            ((math.log(10.0), math.log(0.46 * rate_hz)), (math.log(0.1), math.log(30.0)), (-30.0, 30.0), (-40.0, 40.0)),
            (0.01, 0.02, 0.05, 0.02), 40, 1e-5,
        )  # fmt: skip
        value = float(np.sqrt(np.mean(errors**2)))
        if best is None or value < best[0]:
            best = value, of(point)
    assert best is not None
    return best


def swept_response(bounce: Bounce, group: str, channel: int = 0) -> tuple[Floats, Floats]:
    """Gain by frequency in dB that a sweep shows, twelve points an octave, what rings on counted in."""
    (one,) = bounce.of(group)
    span = one.span(bounce.rate_hz)
    tail = round(_TAIL_S * bounce.rate_hz) if one.seconds > 5.0 else round(0.3 * bounce.rate_hz)
    played, heard = (sound[:, channel] for sound in bounce.both(slice(span.start, span.stop + tail)))
    X, Y = np.fft.rfft(played), np.fft.rfft(heard)
    at_hz = np.fft.rfftfreq(len(played), 1.0 / bounce.rate_hz)
    top = min(_TO_HZ, 0.42 * bounce.rate_hz)
    count = int(_PER_OCTAVE * math.log2(top / _FROM_HZ)) + 1
    freq_hz = _FROM_HZ * 2.0 ** (np.arange(count) / _PER_OCTAVE)
    power, cross = np.abs(X) ** 2, Y * X.conj()
    found = []
    for hz in freq_hz:
        # Narrow enough that a band of Q 10 does not lose its top.
        a, b = np.searchsorted(at_hz, (hz * 2.0 ** (-1 / 96), hz * 2.0 ** (1 / 96)))
        b = max(b, a + 1)
        # A delay turns the phase within the band: magnitudes, weighted by what was played.
        share = np.abs(cross[a:b]) / np.maximum(power[a:b], 1e-20)
        found.append(np.sum(power[a:b] * share) / np.sum(power[a:b]))
    return freq_hz, np.asarray(20.0 * np.log10(np.maximum(found, 1e-6)))
