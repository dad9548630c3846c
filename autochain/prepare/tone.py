"""Broad tone moves toward the references: only where the mix lies outside their spread, never beyond the limit.

The difference between the references' balance and the mix's is explained by a few broad curves, one after the other:
shelves and bells of q 0.5 to 1 by the W3C Group Note "Audio EQ Cookbook" (2021), as analogue prototypes. Each time the
curve, and its gain inside the limit, that leaves the least outside the spread; a move that helps little is not made.
Figures: common practice, no source.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import numpy.typing as npt

from autochain.measure.thirds import NOMINAL_HZ
from autochain.prepare.corrective import BELL, CHANNELS, HIGH_SHELF, LOW_SHELF
from autochain.prepare.references import Profile, Target
from autochain.prepare.resonances import Channel

_Doubles = npt.NDArray[np.float64]

_SHAPES = (
    *((LOW_SHELF, f, 0.5) for f in (80.0, 120.0, 200.0, 300.0)),
    *((HIGH_SHELF, f, 0.5) for f in (3000.0, 5000.0, 8000.0, 12000.0)),
    *((BELL, f, q) for f in (60.0, 100.0, 160.0, 250.0, 400.0, 630.0, 1000.0, 1600.0, 2500.0, 4000.0, 6300.0, 10000.0)
      for q in (0.5, 1.0)),
)  # fmt: skip
_MOST_MOVES = 3  # of mid, and as many of side
_LEAST_GAIN_DB = 0.5
_LEAST_HELP = 0.1  # of what lay outside: a move that takes away less is not made
_OUTSIDE_DB = 0.5  # rms over the bands: less outside the spread than this is inside
_STEP_DB = 0.1
_HEARD_HZ = (40.0, 16000.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class ToneMove:
    """One broad move.

    Attributes
    ----------
    kind
        Place of its type among the equaliser's: bell, low shelf, high shelf.
    freq_hz, q, gain_db
        Settings.
    channel
        `mid`, `side`, or `stereo` where both need the same or the mix has one channel.
    """

    kind: float
    freq_hz: float
    q: float
    gain_db: float
    channel: Channel

    @property
    def settings(self) -> dict[str, float]:
        """Settings of a band, without the band's number."""
        place = {"channel": float(CHANNELS.index(self.channel)), "freq_hz": self.freq_hz}
        return {"type": self.kind, **place, "q": self.q, "gain_db": self.gain_db}


def find_tone_moves(mix: Profile, target: Target, most_db: float) -> tuple[ToneMove, ...]:
    """Moves that bring the mix's balance toward the references', each within +- `most_db`."""
    moves: list[ToneMove] = []
    mono = bool(np.isnan(mix.side_db).all())
    pairs: list[tuple[Channel, _Doubles, _Doubles, _Doubles]] = [
        ("stereo" if mono else "mid", mix.mid_db, target.mid_db, target.mid_spread_db)
    ]
    if not mono:
        pairs.append(("side", mix.side_db, target.side_db, target.side_spread_db))
    for channel, own, wanted, spread in pairs:
        for (kind, freq_hz, q), gain_db in _explained(wanted - own, spread, most_db):
            moves.append(ToneMove(kind=kind, freq_hz=freq_hz, q=q, gain_db=gain_db, channel=channel))
    # What mid and side need alike is one move of both.
    twins = {m for m in moves if m.channel == "mid" and replace(m, channel="side") in moves}
    moves = [m for m in moves if replace(m, channel="mid") not in twins] + [replace(m, channel="stereo") for m in twins]
    return tuple(sorted(moves, key=lambda m: (CHANNELS.index(m.channel), m.freq_hz, m.kind, m.q)))


def outside_db(difference_db: _Doubles, spread_db: _Doubles) -> float:
    """Rms over the heard bands of what a difference exceeds the spread by, the overall level not counted."""
    return _outside(difference_db, spread_db, _counted(difference_db))


def _explained(
    difference_db: _Doubles, spread_db: _Doubles, most_db: float
) -> Sequence[tuple[tuple[float, float, float], float]]:
    counted = _counted(difference_db)
    if counted.sum() < 6:
        return ()
    found: list[tuple[tuple[float, float, float], float]] = []
    rest = difference_db
    gains = np.arange(_LEAST_GAIN_DB, most_db + 1e-9, _STEP_DB)
    gains = np.concatenate([-gains, gains])
    while len(found) < _MOST_MOVES and (left := _outside(rest, spread_db, counted)) > _OUTSIDE_DB:
        tried = []
        for shape in _SHAPES:
            if shape in [s for s, _ in found]:
                continue
            for gain_db in gains:
                after = rest - gain_db * _curve(*shape)
                # Of equal help the smaller move.
                tried.append((_outside(after, spread_db, counted) + 1e-3 * abs(gain_db), shape, float(gain_db)))
        best, shape, gain_db = min(tried)
        if best > (1.0 - _LEAST_HELP) * left:
            break
        found.append((shape, round(gain_db, 1)))
        rest = rest - gain_db * _curve(*shape)
    return found


def _counted(difference_db: _Doubles) -> npt.NDArray[np.bool_]:
    nominal = np.array(NOMINAL_HZ)
    return ~np.isnan(difference_db) & (nominal >= _HEARD_HZ[0]) & (nominal <= _HEARD_HZ[1])


def _outside(difference_db: _Doubles, spread_db: _Doubles, counted: npt.NDArray[np.bool_]) -> float:
    difference = difference_db[counted] - np.median(difference_db[counted])
    beyond = np.maximum(np.abs(difference) - spread_db[counted], 0.0)
    return float(np.sqrt(np.mean(beyond**2)))


@cache
def _curve(kind: float, freq_hz: float, q: float) -> _Doubles:
    """Response of a move of 1 dB at the bands."""
    s = 1j * np.array(NOMINAL_HZ) / freq_hz
    a = 10.0 ** (1.0 / 40.0)
    root = math.sqrt(a)
    if kind == BELL:
        h = (s * s + s * a / q + 1.0) / (s * s + s / (a * q) + 1.0)
    elif kind == LOW_SHELF:
        h = a * (s * s + s * root / q + a) / (a * s * s + s * root / q + 1.0)
    else:
        h = a * (a * s * s + s * root / q + 1.0) / (s * s + s * root / q + a)
    return np.asarray(20.0 * np.log10(np.abs(h)))
