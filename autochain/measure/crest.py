"""Crest factor over short windows, and how much of the mix's crest and onsets an output has lost.

Crest is peak over rms, in dB. Windows of 50 ms are as long as a drum hit; over 400 ms, limiting shows half as
much as at the onsets, and the peaks that a slow compressor lets through look like crest won. Slow compression
moves peak and rms together and is no crest loss: that is what `movement` measures.

The loss, broadband and in each of five bands, with the crest C = 20 log10(peak) - 10 log10(mean square) of a
window w, and p(w) the mix's mean square there:

    L = sum p(w) max(0, C_mix(w) - C_out(w)) / sum p(w)   over windows with p(w) >= mean p - 10 dB
    crest_loss_db = L_broadband / 2 + mean of L over the bands that carry sound / 2
    onset_loss_db = mean over the mix's strong onsets of max(0, O_mix - O_out),
    O = 20 log10(peak of 0 to 15 ms) - 10 log10(mean square of 30 to 150 ms)

Losses are averaged with the energy of the mix's windows as weights, so that quiet windows between hits, where little
can be lost, do not outvote the hits. Even so it is a thin measure at fixed loudness and ceiling: over eight unlike
chains it spreads by 0.4 dB on dense mixes and 0.1 to 0.2 dB on sparse ones.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from autochain.audio.mix import Samples
from autochain.audio.room import pages_back
from autochain.audio.sections import butterworth_low_pass
from autochain.errors import AutochainError
from autochain.measure._crest_kernels import ROWS, STRETCHES, band_levels, window_levels
from autochain.measure.stream import Pieces
from autochain.units import ms_to_samples

_WINDOW_MS = 50.0
BAND_EDGES_HZ = (120.0, 500.0, 2000.0, 6000.0)
_GATE_DB = 10.0  # windows further than this under the energetic mean of the mix are not heard as its level

_ATTACK_MS = 15.0  # an onset's peak lies in its first 15 ms
_BODY_MS = (30.0, 150.0)  # and its body after that
_ONSET_RISE_DB = 4.0  # 10 ms over the 50 ms before; a steady 40 Hz tone alone reaches 2.5 dB

_SILENCE_POWER = 1e-12  # -120 dBFS mean square
_LEVELS_AT_ONCE = 1 << 10  # windows
_HOPS_AT_ONCE = 1 << 16  # about a minute, of 1 ms: hours would take eight times what their energies take
_WARM_UP_WINDOWS = 2  # 100 ms: the slowest poles (120 Hz, Q 0.71) have fallen by exp(-53)
_PIECE_WINDOWS = 640  # half a minute: a few MB, and the filters' starts cost little
_BAND_FLOOR = 1e-6  # a band 60 dB under the whole mix carries nothing whose crest matters

_Floats = npt.NDArray[np.float64]
_Starts = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True)
class CrestLoss:
    """Crest taken away from the mix, in dB; 0 in a band without sound, and without onsets. Losses are >= 0.

    Attributes
    ----------
    crest_loss_db
        Half the broadband loss plus half the mean loss of the bands that carry sound: limiting shows in the
        first, clipping of one instrument or fast band-wise gain more in the second.
    broadband_loss_db
        Loss of the whole signal, channels counted apart.
    band_loss_db
        Loss in each of five bands of the mid, split at BAND_EDGES_HZ, lowest first.
    onset_loss_db
        Loss of the step from the peak of strong onsets (first 15 ms) to the rms of their body (30 to 150 ms).
    onset_change_db
        Mean change of that step over the same onsets, gains and losses alike: negative where hits lost their edge.
    """

    crest_loss_db: float
    broadband_loss_db: float
    band_loss_db: tuple[float, ...]
    onset_loss_db: float
    onset_change_db: float


class CrestReference:
    """The mix's crest and onset figures, measured once and compared with many outputs.

    Broadband windows are taken from each channel on its own, so that a hard-panned sound keeps its crest and
    no reading jumps when two channels swap places as the louder one. Bands are taken from the mid,
    (L + R) / 2, to spend one filter bank and not two, by fourth-order Linkwitz-Riley crossovers (Linkwitz
    1976: two equal Butterworth filters in series). Gates and onset positions come from the mix and stay
    fixed.

    Parameters
    ----------
    reference
        The mix, shape (frames, channels), full scale +-1.0.
    rate_hz
        Sample rate.
    """

    def __init__(self, reference: Samples, rate_hz: int) -> None:
        reference = np.ascontiguousarray(reference)
        self._shape = reference.shape
        self._rate_hz = rate_hz
        self._crossovers = _crossovers(rate_hz)
        peak, power = _levels(reference, _windows(reference, rate_hz), ms_to_samples(_WINDOW_MS, rate_hz))
        self._crest_db = _crest_db(peak, power)
        self._weight = _gated(power)
        peak, power = self._bands(reference)
        self._band_crest_db = _crest_db(peak, power)
        floor = _BAND_FLOOR * power.sum()
        self._band_weight = np.stack(
            [_gated(band) if band.sum() > floor else np.zeros_like(band) for band in power.T], axis=1
        )
        self._onsets = strong_onsets(reference, rate_hz)
        self._onset_db = _onset_db(reference, self._onsets, rate_hz)

    def compare(self, output: Samples) -> CrestLoss | None:
        """Loss of `output` against the mix.

        Parameters
        ----------
        output
            As long as the mix and aligned with it to the sample; its gain does not matter.

        Returns
        -------
        Means over the gated windows (weighted with the mix's energy) and the onsets of max(0, mix - output):
        crest won in one place does not make up for crest lost in another. None when the mix is silent or shorter
        than a window.
        """
        if output.shape != self._shape:
            raise AutochainError(
                f"output has shape {output.shape}, the mix {self._shape}; crest needs both in step. "
                "Compensate latency and keep the length."
            )
        output = np.ascontiguousarray(output)
        if not self._weight.any():
            return None
        length = ms_to_samples(_WINDOW_MS, self._rate_hz)
        crest_db = _crest_db(*_levels(output, _windows(output, self._rate_hz), length))
        onset_db = _onset_db(output, self._onsets, self._rate_hz)
        return self._loss(crest_db, _crest_db(*self._bands(output)), onset_db)

    def meter(self) -> "CrestMeter":
        """Start to compare an output that comes in blocks."""
        return CrestMeter(self)

    def _loss(self, crest_db: _Floats, band_crest_db: _Floats, onset_db: _Floats) -> CrestLoss:
        broadband_db = _mean_loss(self._crest_db, crest_db, self._weight)
        bands_db = tuple(map(_mean_loss, self._band_crest_db.T, band_crest_db.T, self._band_weight.T))
        heard_db = [loss for loss, weight in zip(bands_db, self._band_weight.T, strict=True) if weight.any()]
        return CrestLoss(
            crest_loss_db=0.5 * broadband_db + 0.5 * (sum(heard_db) / len(heard_db) if heard_db else 0.0),
            broadband_loss_db=broadband_db,
            band_loss_db=bands_db,
            onset_loss_db=_mean_loss(self._onset_db, onset_db, np.ones_like(onset_db)),
            onset_change_db=float(np.mean(onset_db - self._onset_db)) if onset_db.size else 0.0,
        )

    def _bands(self, samples: Samples) -> tuple[_Floats, _Floats]:
        """Peak and mean square of the mid's bands, shape (windows, bands)."""
        length = ms_to_samples(_WINDOW_MS, self._rate_hz)
        bands = len(self._crossovers) + 1
        peak = np.empty((samples.shape[0] // length, bands))
        power = np.empty_like(peak)
        state, levels = np.empty((2, bands - 1, (ROWS + 2) * STRETCHES)), np.empty((2, bands, (ROWS + 1) * STRETCHES))
        band_levels(
            samples, length, _WARM_UP_WINDOWS, self._crossovers, state, levels, np.empty(ROWS * STRETCHES), peak, power
        )
        return peak, power


class CrestMeter:
    """Compares an output that comes in blocks with a reference: as `CrestReference.compare`, the bands within 1e-9 dB.

    The filters of the bands start anew in every piece of half a minute; what they would remember is gone by then.
    """

    def __init__(self, reference: CrestReference) -> None:
        self._reference = reference
        self._length = ms_to_samples(_WINDOW_MS, reference._rate_hz)
        self._before = _WARM_UP_WINDOWS * self._length
        self._body = _PIECE_WINDOWS * self._length
        behind = ms_to_samples(_BODY_MS[1], reference._rate_hz)
        self._pieces = Pieces(reference._shape[1], self._before, self._body, behind)
        self._start = 0
        self._crests: list[tuple[_Floats, _Floats, _Floats]] = []

    def push(self, block: Samples) -> None:
        """Take the next frames, shape (frames, channels)."""
        for piece in self._pieces.push(block):
            self._take(piece, self._before + self._body)

    def result(self) -> CrestLoss | None:
        """Of everything pushed, which must be as long as the mix."""
        if not self._reference._weight.any():
            return None
        for piece, end in self._pieces.rest():
            self._take(piece, min(end, self._before + self._body))
        broadband, bands, onsets = (np.concatenate(parts) for parts in zip(*self._crests, strict=True))
        return self._reference._loss(broadband, bands, onsets)

    def _take(self, piece: Samples, end: int) -> None:
        reference, rate_hz = self._reference, self._reference._rate_hz
        body = piece[self._before : max(end, self._before)]
        broadband = _levels(body, _windows(body, rate_hz), self._length)
        bands = reference._bands(piece[: max(end, self._before)])
        inside = (reference._onsets >= self._start) & (reference._onsets < self._start + self._body)
        onsets = reference._onsets[inside] - self._start + self._before
        self._crests.append(
            (
                _crest_db(*broadband),
                _crest_db(*(levels[_WARM_UP_WINDOWS:] for levels in bands)),
                _onset_db(piece, onsets, rate_hz),
            )
        )
        self._start += self._body


def local_crest_db(samples: Samples, rate_hz: int) -> float | None:
    """Median crest of the loud 50 ms windows of all channels.

    Parameters
    ----------
    samples
        Shape (frames, channels), full scale +-1.0.
    rate_hz
        Sample rate.

    Returns
    -------
    dB, 3.01 for a sine; windows more than 10 dB under the energetic mean do not count. None for silence and
    for less than 50 ms.
    """
    crests = local_crests_db(samples, rate_hz)
    return float(np.median(crests)) if crests.size else None


def local_crests_db(samples: Samples, rate_hz: int) -> _Floats:
    """Crest of every window that counts for `local_crest_db`, in dB, shape (windows of all channels,)."""
    samples = np.ascontiguousarray(samples)
    peak, power = _levels(samples, _windows(samples, rate_hz), ms_to_samples(_WINDOW_MS, rate_hz))
    return np.asarray(_crest_db(peak, power)[_gated(power) > 0.0])


def local_crest_of(peak: _Floats, power: _Floats) -> float | None:
    """`local_crest_db` from the peak and mean square of 50 ms windows, each shape (windows, channels)."""
    crest_db = _crest_db(peak, power)[_gated(power) > 0.0]
    return float(np.median(crest_db)) if crest_db.size else None


def _windows(samples: Samples, rate_hz: int) -> _Starts:
    length = ms_to_samples(_WINDOW_MS, rate_hz)
    return np.arange(samples.shape[0] // length, dtype=np.int64) * length


def _levels(samples: Samples, starts: _Starts, length: int) -> tuple[_Floats, _Floats]:
    """Peak and mean square of windows, shape (windows, channels)."""
    peak = np.empty((starts.size, samples.shape[1]))
    power = np.empty_like(peak)
    for first in range(0, starts.size, _LEVELS_AT_ONCE):
        own = slice(first, first + _LEVELS_AT_ONCE)
        window_levels(samples, starts[own], length, peak[own], power[own])
        pages_back()
    return peak, power


def _crest_db(peak: _Floats, power: _Floats) -> _Floats:
    """Crest in dB; 0 where there is no sound."""
    return np.asarray(20.0 * np.log10(np.maximum(peak, 1e-10)) - 10.0 * np.log10(np.maximum(power, 1e-20)))


def _gated(power: _Floats) -> _Floats:
    """Power of windows within 10 dB of the energetic mean, 0 elsewhere and in silence."""
    mean = power.mean() if power.size else 0.0
    loud = (power >= mean * 10.0 ** (-_GATE_DB / 10.0)) & (mean > _SILENCE_POWER)
    return np.where(loud, power, 0.0)


def _mean_loss(reference_db: _Floats, output_db: _Floats, weight: _Floats) -> float:
    """Weighted mean of max(0, reference - output); 0 where nothing has weight."""
    total = weight.sum()
    return float((np.maximum(0.0, reference_db - output_db) * weight).sum() / total) if total > 0.0 else 0.0


def _crossovers(rate_hz: int) -> _Floats:
    """Rows (gain, a1, a2) of the second-order Butterworth low-passes at BAND_EDGES_HZ."""
    rows = []
    for edge_hz in BAND_EDGES_HZ:
        section = butterworth_low_pass(edge_hz, rate_hz)
        rows.append((section[0], section[3], section[4]))
    return np.array(rows)


def strong_onsets(samples: Samples, rate_hz: int) -> _Starts:
    """First frames of strong onsets: where 10 ms rise most over the 50 ms before and reach the mean level."""
    hop = ms_to_samples(1.0, rate_hz)
    body_end = ms_to_samples(_BODY_MS[1], rate_hz)
    count = samples.shape[0] // hop
    energy = np.empty(count)
    for first in range(0, count, _HOPS_AT_ONCE):
        starts = np.arange(first, min(count, first + _HOPS_AT_ONCE), dtype=np.int64) * hop
        energy[first : first + starts.size] = _levels(samples, starts, hop)[1].sum(axis=1)
    mean = energy.mean() if energy.size else 0.0
    if mean <= _SILENCE_POWER or energy.size < 61:
        return np.empty(0, np.int64)
    sums = np.concatenate([[0.0], np.cumsum(energy, out=energy)])
    found = [np.empty(0, np.int64)]
    for first in range(50, count - 9, _HOPS_AT_ONCE):
        # Neighbours on both sides, among which an onset rises most.
        at = np.arange(max(50, first - 50), min(count - 9, first + _HOPS_AT_ONCE + 50))
        after = (sums[at + 10] - sums[at]) / 10
        before = (sums[at] - sums[at - 50]) / 50
        # The floor 40 dB under the mean keeps tiny sounds out of near silence from counting as steep.
        rise = (after + 1e-4 * mean) / (before + 1e-4 * mean)
        strong = (rise >= 10.0 ** (_ONSET_RISE_DB / 10.0)) & (after >= mean)
        highest = rise == ndimage.maximum_filter1d(rise, 101)
        own = (at >= first) & (at < first + _HOPS_AT_ONCE)
        found.append(at[strong & highest & own] * hop)
    onsets = np.concatenate(found)
    return np.asarray(onsets[onsets + body_end <= samples.shape[0]])


def _onset_db(samples: Samples, onsets: _Starts, rate_hz: int) -> _Floats:
    """Peak of the first 15 ms over the rms of 30 to 150 ms, all channels together, shape (onsets,)."""
    start, end = (ms_to_samples(ms, rate_hz) for ms in _BODY_MS)
    peak = _levels(samples, onsets, ms_to_samples(_ATTACK_MS, rate_hz))[0].max(axis=1)
    power = _levels(samples, onsets + start, end - start)[1].mean(axis=1)
    return _crest_db(peak, power)
