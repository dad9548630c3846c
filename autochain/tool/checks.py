"""What is wrong with a bounce: told, and where nothing could be read from it, refused with the reason."""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from autochain.tool import signal
from autochain.tool.align import Bounce
from autochain.tool.fit_compressor import steps_db
from autochain.tool.fit_equaliser import swept_response
from autochain.tool.refusal import ToolError
from autochain.tool.signal import ToolKind

Floats = npt.NDArray[np.float64]

# Limits of this project, chosen so that what passes moves no fit by more than the fit's own error.
_FLAT_DB, _NOT_FLAT_DB = 0.15, 1.0  # of the path at low level, 40 Hz to 16 kHz: told, refused
_DRIFT_DB = 0.1
_GAIN_DB = 0.05  # a gain behind it that is told
_MOVES_DB = 0.3  # least that a compressor, limiter or clipper must do somewhere
_STILL_DB = 0.3  # most that an equaliser may change with level
_NOISE_DBFS, _NOISY_DBFS = -75.0, -55.0  # told, refused
_REST_S, _REST_DB, _PLAYING_DBFS = 0.1, 80.0, -70.0  # no processor that is read here turns down by as much
_CLIPPED_RUN = 4  # equal samples in a row at full scale
_LOUD = {"compressor": "stairs", "limiter": "limit_stairs", "clipper": "clip_stairs"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Path:
    """What lies in the path besides the processor's work: gain and noise, and what is worth telling."""

    gain_db: float
    noise_dbfs: float
    remarks: tuple[str, ...]


def check_path(bounce: Bounce, kind: ToolKind, file: str) -> Path:
    """Look at what a processor of that kind must not do.

    Raises
    ------
    ToolError
        Nothing could be read from the bounce, or it is of another kind.
    """
    _refuse_rests(bounce, kind, file)
    gain_db, noise_dbfs = _tone(bounce, "gain")
    after_db, _ = _tone(bounce, "gain_after")
    remarks = list[str]()
    if noise_dbfs > _NOISY_DBFS:
        raise ToolError(
            f"{file}: the noise lies at {noise_dbfs:.0f} dBFS; over {_NOISY_DBFS:.0f} dBFS the test cannot be read. "
            "Look for a microphone, a hum or a modelled noise in the path, and bounce again."
        )
    if noise_dbfs > _NOISE_DBFS:
        remarks.append(f"There is noise at {noise_dbfs:.0f} dBFS; small reductions are read less surely.")
    _refuse_clipped(bounce, kind, file)
    if kind == "equaliser":
        _refuse_moving(bounce, file)
    else:
        remarks += _still_path(bounce, kind, file)
    if abs(after_db - gain_db) > _DRIFT_DB:
        remarks.append(
            f"The gain was {after_db - gain_db:+.1f} dB different at the end. A release that takes seconds does that, "
            "or something moved."
        )
    if kind != "equaliser" and abs(gain_db) > _GAIN_DB:
        remarks.append(
            f"Quiet sounds come out {gain_db:+.1f} dB: a gain behind the processor, or its make-up gain. It is taken "
            "out of all that follows; keep it, or set it to 0 there and on the tool."
        )
    return Path(gain_db=gain_db, noise_dbfs=noise_dbfs, remarks=tuple(remarks))


def _tone(bounce: Bounce, group: str) -> tuple[float, float]:
    """Gain of a quiet tone in dB, and the level of all that is not the tone, dBFS rms."""
    (one,) = bounce.of(group)
    span = one.span(bounce.rate_hz)
    edge = round(0.1 * bounce.rate_hz)
    played, heard = (sound[:, 0] for sound in bounce.both(slice(span.start + edge, span.stop - edge)))
    t = np.arange(len(played)) / bounce.rate_hz
    waves = np.stack([f(2.0 * np.pi * one.freq_hz * t) for f in (np.sin, np.cos)], axis=1)
    found, *_ = np.linalg.lstsq(waves, heard, rcond=None)
    size = float(np.hypot(*found))
    rest = float(np.sqrt(np.mean((heard - waves @ found) ** 2)))
    amplitude = 10.0 ** (0.05 * one.level_dbfs)
    return 20.0 * math.log10(max(size, 1e-9) / amplitude), 20.0 * math.log10(max(rest, 1e-9))


def _refuse_rests(bounce: Bounce, kind: ToolKind, file: str) -> None:
    """Refuse a bounce that is at rest where its test plays: nothing can be read from what is not there."""
    window = round(_REST_S * bounce.rate_hz)
    for one in signal.segments(bounce.test):
        if one.shape in ("silence", "mark"):
            continue
        span = one.span(bounce.rate_hz)
        # An equaliser may leave little of a sweep where it cuts; of the whole sweep something is left.
        step = span.stop - span.start if kind == "equaliser" else min(window, span.stop - span.start)
        for begin in range(span.start, span.stop - step + 1, step):
            played, heard = bounce.both(slice(begin, begin + step))
            levels = [float(np.sqrt(np.mean(np.square(sound - sound.mean(axis=0))))) for sound in (played, heard)]
            played_db, heard_db = (20.0 * math.log10(max(level, 1e-12)) for level in levels)
            if played_db > _PLAYING_DBFS and heard_db < played_db - _REST_DB:
                at_s = begin / bounce.rate_hz
                raise ToolError(
                    f"{file}: at {at_s:.1f} s of the test it is at rest, where the test plays. Something muted or "
                    "gated it, or it was cut: bounce all of the test again."
                )


def _refuse_clipped(bounce: Bounce, kind: ToolKind, file: str) -> None:
    """Refuse flat tops at full scale, where the processor's own would not be."""
    if kind in ("clipper", "limiter"):
        return
    size = np.abs(bounce.heard[:, 0])
    top = float(size.max())
    if top < 0.98:
        return
    flat = size > top * (1.0 - 1e-5)
    runs = np.diff(np.flatnonzero(np.diff(np.concatenate(([False], flat, [False])).astype(np.int8))))[::2]
    if runs.size and int(runs.max()) >= _CLIPPED_RUN:
        raise ToolError(
            f"{file}: it is clipped: {int(runs.max())} samples in a row at {20.0 * math.log10(top):+.2f} dBFS. Turn "
            "the make-up gain down, or bounce to 32 bit floating point."
        )


def _still_path(bounce: Bounce, kind: ToolKind, file: str) -> list[str]:
    """Refuse an equaliser in the path of a processor that has none, and a processor that does nothing."""
    freq_hz, measured = swept_response(bounce, "sweep")
    inside = (freq_hz >= 40.0) & (freq_hz <= 16000.0)
    freq_hz, measured = freq_hz[inside], measured[inside]
    middle = float(np.median(measured[(freq_hz > 500.0) & (freq_hz < 2000.0)]))
    away = measured - middle
    worst = int(np.argmax(np.abs(away)))
    read = steps_db(bounce, _LOUD[kind])
    odd = next((level for level, gain in read if not np.isfinite(gain)), None)
    if odd is not None:
        raise ToolError(
            f"{file}: the step at {odd:.0f} dBFS is not in the bounce as it is in the test: it is turned over there, "
            "or something else sounds. Bounce all of the test again, in one go."
        )
    steps = [gain for _, gain in read]
    moves = max(steps) - min(steps)
    told = f"{away[worst]:+.1f} dB at {freq_hz[worst]:.0f} Hz"
    if moves < _MOVES_DB:
        if abs(away[worst]) > _NOT_FLAT_DB:
            raise ToolError(
                f"{file}: no level is turned down, but {told} stand out. That is an equaliser, no {kind}: read it with "
                "--kind equaliser from its own test."
            )
        knob = "threshold" if kind == "compressor" else "ceiling"
        raise ToolError(
            f"{file}: nothing happens: the gain is the same within {moves:.1f} dB at every level up to full scale. Set "
            f"the {knob} near -20 dBFS, check the bypass, and bounce again."
        )
    if abs(away[worst]) > _NOT_FLAT_DB:
        raise ToolError(
            f"{file}: something else is in the path: {told} at low level, where a {kind} does nothing. Take it out and "
            "bounce again."
        )
    if abs(away[worst]) > _FLAT_DB:
        return [f"The path is not quite flat at low level: {told}. It is not taken out of the fit."]
    return []


def _refuse_moving(bounce: Bounce, file: str) -> None:
    """Refuse what changes with level where an equaliser was said."""
    _, quiet = swept_response(bounce, "eq_sweep")
    _, loud = swept_response(bounce, "eq_loud")
    moves = float(np.abs(loud - quiet).max())
    if moves > _STILL_DB:
        raise ToolError(
            f"{file}: its gain changes by {moves:.1f} dB from -20 to -6 dBFS. An equaliser does not: take the "
            "compressor or the saturation out of the path, or read it as what it is."
        )
