"""Resonance: how far narrow ranges of a mix stand out of the song's own smoothed spectrum, always or at times.

A note is a line in the spectrum, a resonance lifts what lies between the lines too. So per window of 0.37 s and band
the **lower quartile** of the power over the bins of a twelfth of an octave is taken (a quarter below 500 Hz, where a
twelfth is a few bins): the noise, the room and the drums between the notes. Mid, side, left and right are looked at
apart, and only the windows in which the music plays.

- **Standing** excess: around every band a bell of q 8 is fitted to these levels over half an octave on either side,
  together with a straight line, which stands for the song's own smoothed spectrum. A resonance lifts whatever passes;
  a note comes and goes. So the height counts that 65 % of the seconds reach.
- **Passing** excess: what moves in a band with everything else (a hit, a louder verse) is music. So the level of a band
  over time is predicted from the bands at least 0.4 octaves away, by least squares with a little damping over the
  whole song; the swing of what is left over counts, beyond what is usual within 1.5 octaves.

What this cannot tell apart: a cluster of notes that never pauses, and a resonance, where nothing sounds between the
notes. How far finished music reaches is for whoever decides on the excess to know (`prepare.resonances`).
"""

from dataclasses import dataclass
from functools import cache, partial
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import fft
from scipy.ndimage import correlate1d, median_filter, uniform_filter1d

from autochain.audio.mix import Samples
from autochain.audio.room import in_blocks
from autochain.measure._resonance_kernels import lower_quartiles
from autochain.measure.stream import Pieces
from autochain.threads import in_threads

_Doubles = npt.NDArray[np.float64]
_Singles = npt.NDArray[np.float32]
_Places = npt.NDArray[np.intp]

CHANNEL_VIEWS = ("mid", "side", "left", "right")
BANDS_PER_OCTAVE = 24
_LOWEST_HZ = 40.0
_HIGHEST_HZ = 14000.0
# Over which the quartile is taken, below the first and from the second frequency on; in between it narrows. With a
# quarter octave throughout, a bell of q 8 reads half its height.
_WIDTHS_OCTAVES, _WIDTHS_HZ = (0.25, 1.0 / 12.0), (500.0, 1000.0)
_REACH_OCTAVES = 0.5  # of the fit, on either side
_FIT_Q = 8.0
_LASTING = 35.0  # percentile of the seconds' heights: 65 % of the seconds reach it
_MOST_BINS = 48  # of a band, spread over its width: more do not move the quartile
_PLAYING = 0.05  # of the mean power: quieter windows say more of the noise floor than of the music
_NOTHING = 1e-20
_WINDOWS_AT_ONCE = 8
_GAP_OCTAVES, _PREDICTING_OCTAVES = 0.4, 2.5  # from where to where other bands predict one
_PREDICTING_STEP = 2  # every other band
_DAMPING = 0.003  # of the predictors' mean variance
_JOINED_BANDS = 3  # on either side, weighted down to nothing
_SMOOTHED_WINDOWS = 5  # about one second
_USUAL_BANDS = 36  # on either side
_WINDOWS_OF_HOURS = 5000  # a quarter of an hour
_OFTEN, _SELDOM = 80.0, 30.0  # percentiles between which what is left over swings


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ResonanceMap:
    """Levels between the notes, over time, lanes and bands.

    Attributes
    ----------
    freq_hz
        Centres of the bands, 24 to the octave, shape (bands,).
    time_s
        Middle of every window in which the music plays, shape (windows,).
    floor_db
        Lower quartile of the power, shape (windows, lanes, bands), in dB of an arbitrary reference; lanes are
        mid, side, left and right, or the only channel.
    """

    freq_hz: _Doubles
    time_s: _Doubles
    floor_db: _Singles

    def level_db(self, there: npt.NDArray[np.bool_] | None = None) -> _Doubles:
        """Average over the windows, or over those that are chosen, shape (lanes, bands)."""
        chosen = self.floor_db if there is None else self.floor_db[there]
        return np.asarray(chosen.mean(axis=0, dtype=np.float64))

    def standing_db(self) -> _Doubles:
        """Excess that is there on average, shape (lanes, bands)."""
        return bell_height_db(self.level_db())

    def lasting_db(self) -> _Doubles:
        """Excess that 65 % of the seconds (5 windows) reach, shape (lanes, bands); 0 for less than one."""
        seconds = self.floor_db.shape[0] // _SMOOTHED_WINDOWS
        if not seconds:
            return np.zeros(self.floor_db.shape[1:])
        whole = self.floor_db[: seconds * _SMOOTHED_WINDOWS]
        each = whole.reshape(seconds, _SMOOTHED_WINDOWS, *whole.shape[1:]).mean(axis=1, dtype=np.float64)
        return np.asarray(np.percentile(bell_height_db(each), _LASTING, axis=0))

    def power_db(self, there: npt.NDArray[np.bool_] | None = None) -> _Doubles:
        """Mean of the power, over the windows or over those that are chosen, shape (lanes, bands)."""
        chosen = self.floor_db if there is None else self.floor_db[there]
        # Lane by lane: as powers, hours of all would take three times what the map does.
        power = [np.power(10.0, chosen[:, k] / 10.0, dtype=np.float64).mean(axis=0) for k in range(chosen.shape[1])]
        return np.asarray(10.0 * np.log10(np.stack(power)))

    def left_over_db(self) -> _Singles:
        """Course of every band that the other bands do not predict, over a second, shape (windows, lanes, bands)."""
        rest = np.empty_like(self.floor_db)
        lanes = (partial(_leave_over, self.floor_db[:, k], rest[:, k]) for k in range(self.floor_db.shape[1]))
        in_threads(lanes, most=1 if len(rest) > _WINDOWS_OF_HOURS else -1)  # each takes five times its lane
        return rest


def swing_db(left_over_db: _Singles) -> _Doubles:
    """How far values over time rise from seldom to often: its 80th over its 30th percentile along the first axis.

    Shape (lanes, bands); the median of the bands within 1.5 octaves is taken away.
    """
    lanes = [np.percentile(left_over_db[:, k], (_OFTEN, _SELDOM), axis=0) for k in range(left_over_db.shape[1])]
    swing = np.stack([high - low for high, low in lanes])
    return np.asarray(swing - median_filter(swing, (1, 2 * _USUAL_BANDS + 1), mode="nearest"))


class ResonanceMeter:
    """Collects a `ResonanceMap` from blocks of any size; the size does not change a bit of the result.

    Memory grows by 4 kB per lane and second.

    Parameters
    ----------
    rate_hz
        44100 to 192000.
    channels
        1 or 2.
    """

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._rate_hz = rate_hz
        self._size = 16384 * max(1, round(rate_hz / 48000))
        self._hop = self._size // 2
        self._lanes = len(CHANNEL_VIEWS) if channels == 2 else 1
        self._bands = _band_centres_hz(rate_hz)
        self._bins = _bins(self._size, rate_hz)
        # A window begins at every hop; several are taken at once.
        self._pieces = Pieces(channels, 0, _WINDOWS_AT_ONCE * self._hop, self._hop)
        self._floors: list[_Singles] = []
        self._powers: list[float] = []

    def push(self, block: Samples) -> None:
        """Take the next frames, shape (frames, channels), full scale +-1.0, float32 or float64."""
        for piece in self._pieces.push(block):
            floors, powers = self._taken(piece)
            self._floors.append(floors)
            self._powers += powers

    def result(self) -> ResonanceMap:
        """Everything pushed so far; without windows for silence, and for less than 0.4 s."""
        rest = [self._taken(piece[:end]) for piece, end in self._pieces.rest() if end >= self._size]
        empty = np.empty((0, self._lanes, self._bands.size), dtype=np.float32)
        floor_db = np.concatenate([empty, *self._floors, *(floors for floors, _ in rest)])
        self._floors = [floor_db[: len(self._powers)]]  # in place of its pieces: hours are large
        powers = np.array(self._powers + [power for _, own in rest for power in own])
        playing = powers > max(_NOTHING, _PLAYING * float(powers.mean())) if powers.size else np.zeros(0, dtype=bool)
        return ResonanceMap(
            freq_hz=self._bands,
            time_s=(np.flatnonzero(playing) + 1.0) * self._hop / self._rate_hz,
            floor_db=floor_db[playing],
        )

    def _taken(self, piece: Samples) -> tuple[_Singles, list[float]]:
        """Lower quartiles in dB, and the power, of every whole window of a piece."""
        windows = (piece.shape[0] - self._size) // self._hop + 1
        pair = np.ascontiguousarray(piece.T)
        if self._lanes > 1:
            pair = np.stack([pair[0] + pair[1], pair[0] - pair[1]]) * piece.dtype.type(np.sqrt(0.5))
        cut = np.lib.stride_tricks.sliding_window_view(pair, self._size, axis=1)[:, :: self._hop].swapaxes(0, 1)
        windowed = cut * _window(self._size, piece.dtype)
        powers = [float(flat @ flat) for flat in windowed.reshape(windows, -1)]
        spectra = np.ascontiguousarray(fft.rfft(windowed, axis=2)).view(piece.dtype)
        floors = np.empty((self._bands.size, self._lanes * windows), piece.dtype)
        kept = np.empty((_MOST_BINS // 4 + 1, floors.shape[1]), piece.dtype)
        lower_quartiles(spectra, *self._bins, kept, np.empty(floors.shape[1], piece.dtype), floors)
        by_window = floors.reshape(-1, self._lanes, windows).transpose(2, 1, 0)
        return (10.0 * np.log10(by_window.astype(np.float64) + _NOTHING)).astype(np.float32), powers


def measure_resonance(samples: Samples, rate_hz: int) -> ResonanceMap:
    """`ResonanceMap` of a whole signal, shape (frames, channels); see `ResonanceMeter`."""
    meter = ResonanceMeter(rate_hz, samples.shape[1])
    for block in in_blocks(samples):
        meter.push(block)
    return meter.result()


def _leave_over(floor_db: _Singles, left_over_db: _Singles) -> None:
    """Fill `left_over_db` of one lane, shape (windows, bands)."""
    windows, bands = floor_db.shape
    moving = floor_db.astype(np.float64)
    moving -= moving.mean(axis=0)
    covariance = moving.T @ moving / max(1, windows)
    # One matrix for all bands: what is predicted of each, taken away from it.
    rest_of = np.eye(bands)
    for band, near in _predicting(bands):  # all that are predicted from as many
        own = covariance[near[:, :, None], near[:, None, :]]
        count = near.shape[1]
        damping = _DAMPING * np.trace(own, axis1=1, axis2=2) / count + _NOTHING
        own[:, np.arange(count), np.arange(count)] += damping[:, None]
        rest_of[near, band[:, None]] = -np.linalg.solve(own, covariance[near, band[:, None], None])[..., 0]
    rest = moving @ rest_of
    weights = 1.0 - np.abs(np.arange(-_JOINED_BANDS, _JOINED_BANDS + 1)) / (_JOINED_BANDS + 1.0)
    joined = correlate1d(rest, weights / weights.sum(), axis=1, mode="nearest")
    left_over_db[:] = uniform_filter1d(joined, _SMOOTHED_WINDOWS, axis=0)


@cache
def _predicting(bands: int) -> list[tuple[_Places, _Places]]:
    """Bands, and the bands that predict each of them: shapes (own,) and (own, predictors), by number of these."""
    gap, reach = (round(octaves * BANDS_PER_OCTAVE) for octaves in (_GAP_OCTAVES, _PREDICTING_OCTAVES))
    away = np.abs(np.arange(bands)[:, None] - np.arange(bands))
    near = [np.flatnonzero((own >= gap) & (own <= reach))[::_PREDICTING_STEP] for own in away]
    counts = np.array([own.size for own in near])
    groups = [np.flatnonzero(counts == count) for count in np.unique(counts[counts > 0])]
    return [(own, np.array([near[band] for band in own])) for own in groups]


def bell_height_db(floor_db: _Doubles, q: float = _FIT_Q) -> _Doubles:
    """Height in dB of a bell of `q` at every band, fitted to levels whose last axis are the bands.

    Where the half octave on one side is missing, the levels are continued as a straight line on average (mirrored
    through their end).
    """
    taps = _fit(q)
    reach = taps.size // 2
    edges = [(0, 0)] * (floor_db.ndim - 1) + [(reach, reach)]
    padded = np.pad(floor_db, edges, mode="reflect", reflect_type="odd")
    bands = floor_db.shape[-1]
    fitted = np.zeros(floor_db.shape)
    for place, tap in enumerate(taps):
        fitted += tap * padded[..., place : place + bands]
    return fitted


def _band_centres_hz(rate_hz: int) -> _Doubles:
    """Centres of the bands, as far as they lie well under half the rate."""
    octaves = np.log2(min(_HIGHEST_HZ, 0.35 * rate_hz) / _LOWEST_HZ)
    return np.asarray(_LOWEST_HZ * 2.0 ** (np.arange(int(octaves * BANDS_PER_OCTAVE) + 1) / BANDS_PER_OCTAVE))


def _bell_db(octaves: _Doubles, q: float) -> _Doubles:
    """Shape of a bell at distances from its centre, 1 at the centre: the cookbook's analogue prototype at 6 dB."""
    s = 1j * 2.0**octaves
    a = 10.0 ** (6.0 / 40.0)
    return np.asarray(20.0 * np.log10(np.abs((s * s + s * a / q + 1.0) / (s * s + s / (a * q) + 1.0))) / 6.0)


def seen_bell(octaves: _Doubles, q: float) -> _Doubles:
    """Shape of a bell as the bands see it: averaged over their width, a twelfth of an octave."""
    inside = (np.arange(33) / 32.0 - 0.5) * _WIDTHS_OCTAVES[1]
    return np.asarray(_bell_db(octaves[:, None] + inside, q).mean(axis=1))


@cache
def _fit(q: float) -> _Doubles:
    """Least squares: weights of the levels around a band that give the height of a bell on a straight line."""
    reach = round(_REACH_OCTAVES * BANDS_PER_OCTAVE)
    u = np.arange(-reach, reach + 1) / BANDS_PER_OCTAVE
    columns = np.stack([np.ones_like(u), u, seen_bell(u, q)], axis=1)
    return np.asarray(np.linalg.pinv(columns)[-1])


@cache
def _window(size: int, dtype: np.dtype[Any]) -> npt.NDArray[Any]:
    # Vorbis I specification, 4.3.7: its side lobes fall fast enough to see between the notes.
    return np.asarray(np.sin(0.5 * np.pi * np.sin(np.pi * (np.arange(size) + 0.5) / size) ** 2)).astype(dtype)


@cache
def _bins(size: int, rate_hz: int) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """First bin, step and number of bins of every band."""
    bin_hz = rate_hz / size
    centres = _band_centres_hz(rate_hz)
    half = 2.0 ** (np.interp(np.log2(centres), np.log2(_WIDTHS_HZ), _WIDTHS_OCTAVES) / 2.0)
    low = np.ceil(centres / half / bin_hz).astype(np.int64)
    high = np.maximum(np.floor(centres * half / bin_hz).astype(np.int64), low)
    step = -(-(high - low + 1) // _MOST_BINS)
    return low, step, (high - low) // step + 1
