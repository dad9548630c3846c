"""Broad tone moves toward the references: only where the mix lies outside their spread, never beyond the limit.

The difference between the references' balance and the mix's is explained by a few broad curves, one after the other:
shelves and bells of q 0.5 to 1 by the W3C Group Note "Audio EQ Cookbook" (2021), as analogue prototypes. Each time the
curve, and its gain inside the limit, that leaves the least outside the spread, for mid and side together or for one
of them; a move that helps little is not made.

How far a difference can be trusted shows in how even it is. Another version of the same song differs from it evenly;
other songs differ from band to band by their notes and instruments. If a smooth curve is disturbed by independent
errors of standard deviation s, second differences d(k-1) - 2 d(k) + d(k+1) have the standard deviation sqrt(6) s; the
median of their sizes over 0.6745 sqrt(6) is the **unevenness** (the median, so that a codec's missing top octave is one
band and no more). Under 0.6 dB a reference counts as **alike**: the moves then go all the way to the references' mean,
up to the larger limit. Otherwise they stop at the edge of the spread, which is then never taken for less than 1.5 dB or
the unevenness. Figures: common practice, no source, where nothing else is said.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt

from autochain.measure.third_octaves import NOMINAL_HZ
from autochain.prepare.corrective import BELL, FILTERED_CHANNELS, HIGH_SHELF, LOW_SHELF
from autochain.prepare.references import CommonBalance, Profile
from autochain.prepare.resonances import Channel

_Doubles = npt.NDArray[np.float64]
_Shape = tuple[str, float, float]  # kind, frequency, q
_Move = tuple[float, _Shape, tuple[int, ...]]  # gain, shape, rows

_ROWS: tuple[Channel, ...] = ("mid", "side")
_FEWEST_BANDS = 6
_SHAPES: tuple[_Shape, ...] = (
    *((LOW_SHELF, f, q) for f in (80.0, 120.0, 150.0, 200.0, 300.0) for q in (0.5, 0.7)),
    *((HIGH_SHELF, f, q) for f in (3000.0, 4000.0, 5000.0, 8000.0, 12000.0) for q in (0.5, 0.7)),
    *((BELL, f, q) for f in (60.0, 100.0, 160.0, 250.0, 400.0, 630.0, 1000.0, 1600.0, 2500.0, 4000.0, 6300.0, 10000.0)
      for q in (0.5, 1.0)),
)  # fmt: skip
_MOST_MOVES = 4
_LEAST_GAIN_DB = 0.5
# A move that takes away less of what lies outside is not made: a tenth of it, or 0.15 dB rms over the bands, about
# what 0.5 dB do on a third of them.
_LEAST_HELP = 0.1
_LEAST_HELP_DB = 0.15
# A difference from 1 dB on is moved. A shelf of 1 dB with a soft corner reaches it only at the end of the range.
_LEAST_DIFFERENCE_DB = 0.8
_INSIDE_DB = 0.2  # rms over the bands: what is left is not worth another move
_STEP_DB = 0.1
_HEARD_HZ = (40.0, 16000.0)
_ABSENT_DB = 20.0  # further apart one of them has nothing there, as a brass solo has no bass: no tone move gives it any
# A limit of this project: 15 recordings against each other read 0.86 dB or more, against themselves less a tenth at
# either end 0.37 or less.
_ALIKE_DB = 0.6
_UNLIKE_SPREAD_DB = 1.5


@dataclass(frozen=True, slots=True, kw_only=True)
class ToneMove:
    """One broad move.

    Attributes
    ----------
    kind
        Its type in the words of the equaliser: `bell`, `lowshelf`, `highshelf`.
    freq_hz, q, gain_db
        Settings.
    channel
        `mid`, `side`, or `stereo` where both need the same or the mix has one channel.
    """

    kind: str
    freq_hz: float
    q: float
    gain_db: float
    channel: Channel

    @property
    def settings(self) -> dict[str, float | str]:
        """Settings of a band, without the band's number."""
        place: dict[str, float | str] = {"channel": self.channel, "freq_hz": self.freq_hz}
        return {"type": self.kind, **place, "q": self.q, "gain_db": self.gain_db}


@dataclass(frozen=True, slots=True, kw_only=True)
class Tone:
    """What is moved toward references, and what the decision rests on.

    Attributes
    ----------
    moves
        By channel and frequency; empty when none is needed.
    alike
        True when the references are versions of the mix's own song, as far as evenness tells.
    uneven_db
        Unevenness of the difference; the larger one of mid and side.
    most_db
        The limit that held: of the sum of all moves at any frequency.
    difference_db, at_hz
        The broadest difference, references less mix: the largest median of three neighbouring third octaves, and
        where. 0 and 1000 when too few bands are known.
    beyond_db
        Of the difference anywhere, the most that lies outside the spread by the same median; at least 0.
    left_db, left_hz
        Of what is to be moved, the largest broad difference that the moves leave, and where.
    """

    moves: tuple[ToneMove, ...]
    alike: bool
    uneven_db: float
    most_db: float
    difference_db: float
    at_hz: float
    beyond_db: float
    left_db: float
    left_hz: float


def find_tone_moves(mix: Profile, target: CommonBalance, most_db: float, most_alike_db: float | None = None) -> Tone:
    """Moves that bring the mix's balance toward the references'.

    Parameters
    ----------
    mix, target
        The mix and what the references have in common.
    most_db
        Limit of the sum of all moves at any frequency.
    most_alike_db
        The same where the references are versions of the same song; `most_db` when None.
    """
    mono = bool(np.isnan(mix.side_db).all())
    rows = _ROWS[:1] if mono else _ROWS
    difference = np.array([target.mid_db - mix.mid_db, target.side_db - mix.side_db])[: len(rows)]
    counted = np.array([_counted(row) for row in difference])
    counted &= np.abs(_centred(difference, counted)) < _ABSENT_DB
    counted[counted.sum(axis=1) < _FEWEST_BANDS] = False
    uneven_db = max((_unevenness_db(d[c]) for d, c in zip(difference, counted, strict=True) if c.any()), default=0.0)
    alike = uneven_db < _ALIKE_DB
    most_db = most_alike_db if alike and most_alike_db is not None else most_db
    spread = np.array([target.mid_spread_db, target.side_spread_db])[: len(rows)]
    if not alike:
        spread = np.maximum(spread, max(_UNLIKE_SPREAD_DB, uneven_db))
    centred = _centred(difference, counted)
    difference_db, at_hz = _broadest(centred, counted)
    beyond_db = abs(_broadest(_beyond(centred, spread), counted)[0])
    rest, moves = centred, []
    if beyond_db >= _LEAST_DIFFERENCE_DB:
        # Outside: to the middle of versions of the same song, to the edge of what other songs have.
        aim = np.zeros_like(spread) if alike else spread
        for gain_db, (kind, freq_hz, q), lanes in _explained(centred, aim, counted, most_db, mono):
            channel: Channel = "stereo" if mono or len(lanes) == 2 else _ROWS[lanes[0]]
            moves.append(ToneMove(kind=kind, freq_hz=freq_hz, q=q, gain_db=gain_db, channel=channel))
            rest = rest - gain_db * _lifted((kind, freq_hz, q), lanes, len(rows))
        left_db, left_hz = _broadest(_beyond(rest, aim), counted)
    else:
        left_db, left_hz = 0.0, 1000.0
    return Tone(
        moves=tuple(sorted(moves, key=lambda m: (FILTERED_CHANNELS.index(m.channel), m.freq_hz, m.kind, m.q))),
        alike=alike,
        uneven_db=uneven_db,
        most_db=most_db,
        difference_db=difference_db,
        at_hz=at_hz,
        beyond_db=beyond_db,
        left_db=left_db,
        left_hz=left_hz,
    )


def _explained(
    difference_db: _Doubles, spread_db: _Doubles, counted: npt.NDArray[np.bool_], most_db: float, mono: bool
) -> list[_Move]:
    """Moves one after the other; after each the earlier ones are chosen anew beside it."""
    found: list[_Move] = []
    left = _outside(difference_db, spread_db, counted)
    while len(found) < _MOST_MOVES and left > _INSIDE_DB:
        trial = [*found, _best(difference_db, spread_db, counted, most_db, mono, found)]
        for k in range(len(trial) - 1):
            trial[k] = _best(difference_db, spread_db, counted, most_db, mono, trial[:k] + trial[k + 1 :])
        after = _outside(difference_db - _sum(trial, len(difference_db)), spread_db, counted)
        if after > left - min(_LEAST_HELP * left, _LEAST_HELP_DB):
            break
        found, left = trial, after
    return [move for move in found if move[0] != 0.0]


def _best(
    difference_db: _Doubles,
    spread_db: _Doubles,
    counted: npt.NDArray[np.bool_],
    most_db: float,
    mono: bool,
    others: Sequence[_Move],
) -> _Move:
    """The move that leaves least outside beside the others; of equal help the smaller one. Gain 0 when none may."""
    taken = _sum(others, len(difference_db))
    gains = np.arange(_LEAST_GAIN_DB, most_db + 1e-9, _STEP_DB)
    gains = np.concatenate([-gains, gains])
    best: tuple[float, _Move] = (_outside(difference_db - taken, spread_db, counted), (0.0, _SHAPES[0], (0,)))
    lanes_of: tuple[tuple[int, ...], ...] = ((0,),) if mono else ((0, 1), (0,), (1,))
    for shape in _SHAPES:
        for lanes in lanes_of:
            if not counted[list(lanes)].any():
                continue
            whole = taken + gains[:, None, None] * _lifted(shape, lanes, len(difference_db))
            allowed = np.abs(whole).max(axis=(1, 2)) <= most_db + 0.5 * _STEP_DB
            if not allowed.any():
                continue
            help_db = _outside_each(difference_db - whole[allowed], spread_db, counted) + 1e-3 * np.abs(gains[allowed])
            k = int(np.argmin(help_db))
            if help_db[k] < best[0]:
                best = (float(help_db[k]), (round(float(gains[allowed][k]), 1), shape, lanes))
    return best[1]


def _lifted(shape: _Shape, lanes: Sequence[int], rows: int) -> _Doubles:
    """Curve of 1 dB on the lanes that a move has, shape (rows, bands)."""
    lifted = np.zeros((rows, len(NOMINAL_HZ)))
    lifted[list(lanes)] = _curve(*shape)
    return lifted


def _sum(moves: Sequence[_Move], rows: int) -> _Doubles:
    total = np.zeros((rows, len(NOMINAL_HZ)))
    for gain_db, shape, lanes in moves:
        total += gain_db * _lifted(shape, lanes, rows)
    return total


def _unevenness_db(difference_db: _Doubles) -> float:
    bends = np.abs(np.diff(difference_db, 2))
    # 0.6745: median of the size of a normal variable of standard deviation 1
    return float(np.median(bends)) / (0.6745 * math.sqrt(6.0))


def _counted(difference_db: _Doubles) -> npt.NDArray[np.bool_]:
    nominal = np.array(NOMINAL_HZ)
    return ~np.isnan(difference_db) & (nominal >= _HEARD_HZ[0]) & (nominal <= _HEARD_HZ[1])


def _centred(difference_db: _Doubles, counted: npt.NDArray[np.bool_]) -> _Doubles:
    """Each row less its median over the counted bands; 0 where nothing counts."""
    centred = np.zeros_like(difference_db)
    for row, (values, known) in enumerate(zip(difference_db, counted, strict=True)):
        if known.any():
            centred[row, known] = values[known] - np.median(values[known])
    return centred


def _beyond(centred_db: _Doubles, spread_db: _Doubles) -> _Doubles:
    """What exceeds the spread, with its sign."""
    return np.asarray(np.sign(centred_db) * np.maximum(np.abs(centred_db) - np.nan_to_num(spread_db), 0.0))


def _broadest(centred_db: _Doubles, counted: npt.NDArray[np.bool_]) -> tuple[float, float]:
    """Largest median over an octave, three neighbouring bands, and its frequency: what one band has says nothing."""
    largest, at_hz = 0.0, 1000.0
    for row, known in zip(centred_db, counted, strict=True):
        places = np.flatnonzero(known)
        for k in range(places.size - 2):
            value = float(np.median(row[places[k : k + 3]]))
            if abs(value) > abs(largest):
                largest, at_hz = value, NOMINAL_HZ[places[k + 1]]
    return largest, at_hz


def _outside(difference_db: _Doubles, spread_db: _Doubles, counted: npt.NDArray[np.bool_]) -> float:
    return float(_outside_each(difference_db[None], spread_db, counted)[0])


def _outside_each(difference_db: _Doubles, spread_db: _Doubles, counted: npt.NDArray[np.bool_]) -> _Doubles:
    """Rms over the counted bands of what exceeds the spread; shape (alternatives,)."""
    total, bands = np.zeros(len(difference_db)), 0
    for row, known in enumerate(counted):
        if known.any():
            beyond = np.maximum(np.abs(difference_db[:, row, known]) - spread_db[row, known], 0.0)
            total += (beyond**2).sum(axis=1)
            bands += int(known.sum())
    return np.asarray(np.sqrt(total / max(bands, 1)))


@cache
def _curve(kind: str, freq_hz: float, q: float) -> _Doubles:
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
