"""The numbers behind the pictures, from the sound before and after."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from autochain.audio.mix import Mix, Samples
from autochain.audio.room import pages_back
from autochain.chain.chain import STAGES
from autochain.chain.settings import ROTATION
from autochain.measure.band_changes import BandChange, measure_band_changes
from autochain.measure.crest import local_crests_db
from autochain.measure.loudness import Series, short_term_lufs, weighted_hops
from autochain.measure.measurement import Measurement
from autochain.page.pictures.song import SongCurves
from autochain.prepare.references import Reference, relative_db
from autochain.search.result import OnSheet, Suggestion

_COLUMNS, _COLUMNS_AT_ONCE = 600, 20
_SHORT_STEP_HOPS = 25
_UNEVEN_DB = 0.5  # less asymmetry is not marked
_IMPULSE_FRAMES = 1 << 16
_CURVE_POINTS = 180
_FLAT_DB = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class CrestShares:
    """Shares of the loud windows by crest, in classes of 1 dB from `low_db` on, and the medians."""

    low_db: float
    mix_percent: Sequence[float]
    master_percent: Sequence[float]
    medians: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Response:
    """Gain of the equalisers for mid and side in dB, and phase of a rotation in degrees; None where there is none."""

    freq_hz: Sequence[float]
    mid_db: Sequence[float] | None
    side_db: Sequence[float] | None
    phase_deg: Sequence[float] | None


def thirds_of(found: Suggestion) -> tuple[BandChange, ...]:
    """Change of every third octave at equal loudness."""
    gain_db = (found.chosen.after.integrated_lufs or 0.0) - (found.before.integrated_lufs or 0.0)
    return measure_band_changes(found.mix.samples, found.samples, found.mix.rate_hz, gain_db)


def song_of(found: Suggestion, mix_hops: Series, cues_s: Sequence[float]) -> SongCurves:
    """Waveform, loudness and reductions over the whole song; `mix_hops` are the mix's K-weighted powers."""
    hops = (mix_hops, weighted_hops(found.samples, found.mix.rate_hz))
    return curves_of(found.mix, found.before, found.chosen, hops, found.config.target.loudness_lufs, cues_s)


def curves_of(
    mix: Mix,
    before: Measurement,
    chosen: OnSheet,
    hops: tuple[Series, Series],
    target_lufs: float,
    cues_s: Sequence[float],
) -> SongCurves:
    """The same of settings on a song; `hops` are the K-weighted powers of mix and master."""
    count = min(_COLUMNS, len(mix.samples))
    edges = np.linspace(0, len(mix.samples), count, endpoint=False).astype(np.int64)
    highest, lowest = np.empty((2, count), mix.samples.dtype)
    for first in range(0, count, _COLUMNS_AT_ONCE):
        own = slice(first, min(count, first + _COLUMNS_AT_ONCE))
        part = mix.samples[edges[first] : edges[own.stop] if own.stop < count else None]
        # By channel: numpy takes six times as long for the extremes of every pair of samples first.
        within = edges[own] - edges[first]
        highest[own] = np.max([np.maximum.reduceat(channel, within) for channel in part.T], axis=0)
        lowest[own] = np.min([np.minimum.reduceat(channel, within) for channel in part.T], axis=0)
        pages_back()
    lean = float(np.mean(20.0 * np.log10(np.maximum(highest, 1e-6) / np.maximum(-lowest, 1e-6))))
    uneven = (before.asymmetry_db or 0.0) >= _UNEVEN_DB
    short = [short_term_lufs(h)[::_SHORT_STEP_HOPS] for h in hops]
    length = min(len(s) for s in short)
    return SongCurves(
        duration_s=mix.duration_s,
        highest=highest.tolist(),
        lowest=lowest.tolist(),
        further=int(np.sign(lean)) if uneven else 0,
        at_s=[1.5 + 0.01 * _SHORT_STEP_HOPS * k for k in range(length)],
        mix_lufs=short[0][:length].tolist(),
        master_lufs=short[1][:length].tolist(),
        target_lufs=target_lufs,
        reductions_db={
            STAGES[name].label: _strongest(values)
            for name, values in chosen.reductions_db.items()
            if values.size and float(np.abs(values).max()) >= 0.05
        },
        cues_s=sorted(set(cues_s)),
    )


def _strongest(values: npt.NDArray[np.float32]) -> list[float]:
    """Value furthest from 0 in equal parts of the song."""
    edges = np.linspace(0, values.size, min(_COLUMNS, values.size), endpoint=False).astype(np.int64)
    high, low = np.maximum.reduceat(values, edges), np.minimum.reduceat(values, edges)
    return [float(v) for v in np.where(high >= -low, high, low)]


_Levels = list[float | None]


def balance_of(
    thirds: Sequence[BandChange], references: Sequence[Reference]
) -> tuple[list[float], _Levels, _Levels, list[_Levels]]:
    """Bands, the mid of mix and of master in them in dB of the whole, and the references' lowest, median and highest.

    Bands in which neither mix nor master is heard are left out.
    """
    after = [
        None if one.mix_mid_db is None or one.mid_change_db is None else one.mix_mid_db + one.mid_change_db
        for one in thirds
    ]
    rows = [relative_db([one.mix_mid_db for one in thirds]), relative_db(after)]
    if references:
        theirs = np.array([one.profile.mid_db for one in references])
        silent = np.isnan(theirs).all(axis=0)
        theirs[:, silent] = 0.0
        for take in (np.nanmin, np.nanmedian, np.nanmax):
            rows.append(np.where(silent, np.nan, take(theirs, axis=0)))
    heard = [k for k, one in enumerate(thirds) if one.heard]
    mix, master, *beside = [[None if np.isnan(row[k]) else float(row[k]) for k in heard] for row in rows]
    return [thirds[k].nominal_hz for k in heard], mix, master, beside


def spread_of(found: Suggestion) -> CrestShares | None:
    """Crest before and after; None where no window counts."""
    crests = [local_crests_db(samples, found.mix.rate_hz) for samples in (found.mix.samples, found.samples)]
    if not all(c.size for c in crests):
        return None
    low = float(np.floor(min(np.quantile(c, 0.005) for c in crests)))
    high = float(np.ceil(max(np.quantile(c, 0.995) for c in crests))) + 1.0
    edges = np.arange(low, high + 0.5)
    shares = [100.0 * np.histogram(c, edges)[0] / c.size for c in crests]
    return CrestShares(
        low_db=low,
        mix_percent=shares[0].tolist(),
        master_percent=shares[1].tolist(),
        medians=(float(np.median(crests[0])), float(np.median(crests[1]))),
    )


def response_of(found: Suggestion) -> Response:
    """Equalisers and rotation, read off an impulse through them."""
    rate_hz, chain, settings = found.mix.rate_hz, found.config.chain_plan, found.chosen.settings
    freq_hz = np.geomspace(20.0, 20_000.0, _CURVE_POINTS)
    equalisers = [name for name in chain.linear if name in settings and name != ROTATION]
    gains = []
    for side in (1.0, -1.0) if found.mix.channels == 2 else (1.0,):
        heard = chain.render(_impulse(found.mix.channels, side), rate_hz, settings, stages=equalisers).samples
        gains.append(20.0 * np.log10(np.maximum(np.abs(_at(heard, rate_hz, freq_hz)), 1e-4)))
    mid, other = gains[0], gains[-1]
    apart = bool(np.abs(mid - other).max() > _FLAT_DB)
    phase = None
    if ROTATION in settings:
        turned = chain.render(_impulse(found.mix.channels, 1.0), rate_hz, settings, stages=(ROTATION,)).samples
        phase = np.degrees(np.unwrap(np.angle(_at(turned, rate_hz, freq_hz)))).tolist()
    return Response(
        freq_hz=freq_hz.tolist(),
        mid_db=mid.tolist() if max(np.abs(mid).max(), np.abs(other).max()) > _FLAT_DB else None,
        side_db=other.tolist() if apart else None,
        phase_deg=phase,
    )


def _impulse(channels: int, side: float) -> Samples:
    impulse = np.zeros((_IMPULSE_FRAMES, channels), np.float32)
    impulse[_IMPULSE_FRAMES // 2] = [1.0, side][:channels]
    return impulse


def _at(heard: Samples, rate_hz: int, freq_hz: npt.NDArray[np.float64]) -> npt.NDArray[np.complex128]:
    """Spectrum of the first channel relative to the impulse's place."""
    around = np.fft.rfft(np.roll(heard[:, 0].astype(np.float64), -(_IMPULSE_FRAMES // 2)))
    bins = np.minimum(np.rint(freq_hz * _IMPULSE_FRAMES / rate_hz).astype(np.int64), around.size - 1)
    return np.asarray(around[bins])
