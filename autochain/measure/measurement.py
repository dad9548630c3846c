"""All figures of one piece of sound in one frozen value, from an array, from a file, or block by block."""

from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Protocol

import numpy as np
import numpy.typing as npt

from autochain.audio.blocks import one_state, read_blocks
from autochain.audio.mix import Samples
from autochain.audio.room import in_blocks
from autochain.measure.asymmetry import HOPS_PER_WINDOW, AsymmetrySeries, asymmetry_series, loud_windows
from autochain.measure.clipped import ClippedRunMeter
from autochain.measure.crest import local_crest_of
from autochain.measure.hop_sums import HopSumMeter, HopSums, dc_offsets_dbfs
from autochain.measure.loudness import (
    HopMeter,
    Series,
    integrated_lufs,
    loud_hops,
    loudness_range_lu,
    momentary_lufs,
    short_term_lufs,
)
from autochain.measure.noise import noise_floor_dbfs
from autochain.measure.peaks import PsrSeries, plr_db, psr_db
from autochain.measure.spectrum import Spectrum, SpectrumMeter, subsonic_db
from autochain.measure.stereo import channel_imbalance_db, correlation_of, correlation_under, side_to_mid_db
from autochain.measure.third_octaves import ThirdOctave, third_octaves
from autochain.measure.true_peak import HopPeakMeter, TruePeakMeter

LOW_END_HZ = 120.0  # bass under it is often asked to be mono (common practice, no source)

# All meters look at a block before the next one comes: short enough to stay in the cache between them.
_BLOCK_FRAMES = 1 << 16

_Doubles = npt.NDArray[np.float64]


class Levels(Protocol):
    """Loudness and peak of a sound: of a whole `Measurement`, or all that was read."""

    @property
    def integrated_lufs(self) -> float | None:
        """Loudness of the whole."""
        ...

    @property
    def max_short_term_lufs(self) -> float | None:
        """Loudness of the loudest 3 s."""
        ...

    @property
    def true_peak_dbtp(self) -> float | None:
        """The highest of the true-peak readings that were taken."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelFigures:
    """`Levels`, and nothing else."""

    integrated_lufs: float | None
    max_short_term_lufs: float | None
    true_peak_dbtp: float | None

    @classmethod
    def of(cls, hops: Series, true_peak_dbtp: float | None) -> "LevelFigures":
        """From K-weighted power per 10 ms hop; `true_peak_dbtp` as it was read."""
        integrated, short_term = integrated_lufs(hops), short_term_lufs(hops)
        heard = integrated is not None and short_term.size > 0
        return cls(
            integrated_lufs=integrated,
            max_short_term_lufs=float(short_term.max()) if heard else None,
            true_peak_dbtp=true_peak_dbtp,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Measurement:
    """What is printed before and after; None where a figure does not exist (silence, mono).

    `true_peak_dbtp` is the highest of three readings, which stand beside it: the published Annex 2 filter of
    BS.1770, a 49-tap windowed sinc (the reading libebur128 gives), and a long filter at 16 times the rate. PLR is
    taken from it, the PSR figures from the Annex 2 filter alone, which reads up to 0.4 dB lower on clipped mixes.

    The figures of the image are None for one channel and when a channel is silent: `correlation` and
    `correlation_below_120_hz` (-1 to 1), `side_to_mid_db` (None also without any side) and
    `channel_imbalance_db` (left over right). `dc_left_dbfs` is the offset of the only channel of a mono mix.
    `noise_floor_dbfs` is the rms of the quietest 400 ms re 1.0, by which a full-scale sine has -3.0 dBFS (AES17, from
    memory, calls that 0 dBFS rms; hum is counted so), `subsonic_db` the energy below 20 Hz re the whole,
    `clipped_runs` and `longest_clipped_run` (samples) count waveform cut off at one level; definitions beside
    the functions that measure them.
    """

    integrated_lufs: float | None
    max_short_term_lufs: float | None
    max_momentary_lufs: float | None
    loudness_range_lu: float | None
    true_peak_dbtp: float | None
    true_peak_annex2_dbtp: float | None
    true_peak_sinc49_dbtp: float | None
    true_peak_x16_dbtp: float | None
    sample_peak_dbfs: float | None
    plr_db: float | None
    psr_min_db: float | None
    psr_median_db: float | None
    local_crest_db: float | None
    asymmetry_db: float | None
    correlation: float | None
    correlation_below_120_hz: float | None
    side_to_mid_db: float | None
    channel_imbalance_db: float | None
    dc_left_dbfs: float | None
    dc_right_dbfs: float | None
    subsonic_db: float | None
    noise_floor_dbfs: float | None
    clipped_runs: int
    longest_clipped_run: int

    def as_dict(self) -> dict[str, float | int | None]:
        """Figures by name."""
        return asdict(self)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MixSeries:
    """What a plot shows over time and frequency, beside the figures; empty where there is nothing, never NaN.

    Attributes
    ----------
    momentary_lufs, short_term_lufs
        Loudness of each complete 400 ms and 3 s window, 10 ms apart, floor -200; the time of value k is
        `loudness.centre_s(k, window)`.
    psr
        Peak to short-term loudness of the windows that count.
    asymmetry
        Asymmetry of the loud 50 ms windows.
    thirds
        Long-term third-octave levels, lowest band first.
    clipped_at_s
        Mix times of the 10 ms hops in which clipped runs begin, in s.
    """

    momentary_lufs: _Doubles
    short_term_lufs: _Doubles
    psr: PsrSeries
    asymmetry: AsymmetrySeries
    thirds: tuple[ThirdOctave, ...]
    clipped_at_s: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Measured:
    """The figures, the series behind them, and what both were made from."""

    figures: Measurement
    series: MixSeries
    hops: Series
    sums: HopSums
    spectrum: Spectrum


class MixMeter:
    """Measures everything of a stream, keeping a few values per 10 ms and none of the samples.

    Blocks of any size, the last of which may end anywhere; their size does not change a bit of the result.

    Parameters
    ----------
    rate_hz
        44100 to 192000.
    channels
        1 or 2.
    """

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._rate_hz = rate_hz
        self._true_peak = TruePeakMeter(rate_hz, channels)
        self._hops = HopMeter(rate_hz, channels)
        self._hop_peaks = HopPeakMeter(rate_hz, channels)
        self._sums = HopSumMeter(rate_hz, channels)
        self._spectrum = SpectrumMeter(rate_hz, channels)
        self._clipped = ClippedRunMeter(rate_hz, channels)

    def push(self, block: Samples) -> None:
        """Take the next frames, shape (frames, channels), full scale +-1.0, float32 or float64."""
        for start in range(0, block.shape[0], _BLOCK_FRAMES):
            part = block[start : start + _BLOCK_FRAMES]
            for meter in (self._hops, self._hop_peaks, self._sums, self._spectrum, self._clipped, self._true_peak):
                meter.push(part)

    def result(self) -> Measured:
        """Everything pushed so far; short-term figures need 3 s."""
        hops, sums = self._hops.result(), self._sums.result()
        spectrum, clipped = self._spectrum.result(), self._clipped.result()
        integrated = integrated_lufs(hops)
        heard = integrated is not None
        reading = self._true_peak.result()
        psr = psr_db(self._hop_peaks.result(), hops)
        short_term, momentary = short_term_lufs(hops), momentary_lufs(hops)
        loud = loud_hops(hops, integrated) if integrated is not None else np.zeros(hops.size, dtype=bool)
        lean = _asymmetry(sums, loud, self._rate_hz)
        offsets = dc_offsets_dbfs(sums)
        figures = Measurement(
            integrated_lufs=integrated,
            max_short_term_lufs=float(short_term.max()) if heard and short_term.size else None,
            max_momentary_lufs=float(momentary.max()) if heard and momentary.size else None,
            loudness_range_lu=loudness_range_lu(hops),
            true_peak_dbtp=reading.highest_dbtp,
            true_peak_annex2_dbtp=reading.annex2_dbtp,
            true_peak_sinc49_dbtp=reading.sinc49_dbtp,
            true_peak_x16_dbtp=reading.x16_dbtp,
            sample_peak_dbfs=reading.sample_peak_dbfs,
            plr_db=plr_db(reading.highest_dbtp, integrated),
            psr_min_db=psr.min_db,
            psr_median_db=psr.median_db,
            local_crest_db=_local_crest_db(sums),
            asymmetry_db=None if lean.mean is None else lean.mean.level_db,
            correlation=correlation_of(sums),
            correlation_below_120_hz=correlation_under(spectrum, LOW_END_HZ),
            side_to_mid_db=side_to_mid_db(sums),
            channel_imbalance_db=channel_imbalance_db(sums),
            dc_left_dbfs=offsets[0],
            dc_right_dbfs=offsets[1] if len(offsets) > 1 else None,
            subsonic_db=subsonic_db(spectrum),
            noise_floor_dbfs=noise_floor_dbfs(sums),
            clipped_runs=clipped.count,
            longest_clipped_run=clipped.longest,
        )
        series = MixSeries(
            momentary_lufs=momentary,
            short_term_lufs=short_term,
            psr=psr,
            asymmetry=lean,
            thirds=third_octaves(spectrum),
            clipped_at_s=clipped.at_s,
        )
        return Measured(figures=figures, series=series, hops=hops, sums=sums, spectrum=spectrum)


def measure(samples: Samples, rate_hz: int) -> Measurement:
    """Measure everything.

    Parameters
    ----------
    samples
        Shape (frames, channels), at least 3 s.
    rate_hz
        44100 to 192000.
    """
    meter = MixMeter(rate_hz, samples.shape[1])
    for block in in_blocks(samples):
        meter.push(block)
    return meter.result().figures


def measure_file(path: str | Path, block_frames: int = 1 << 18) -> Measured:
    """Measure a sound file without holding it in memory: the result is that of a `MixMeter`.

    Parameters
    ----------
    path
        As for `audio.files.read_mix`.
    block_frames
        Frames decoded at a time, at least 1; changes no bit of the result.

    Raises
    ------
    AudioFileError
        As `audio.files.read_mix`.
    """
    with one_state(path):
        blocks = read_blocks(path, block_frames)
        meter = MixMeter(blocks.rate_hz, blocks.channels)
        for block in blocks:
            meter.push(block)
    return meter.result()


def _windows(sums: HopSums) -> int:
    """Number of whole 50 ms windows."""
    return sums.whole_hops // HOPS_PER_WINDOW


def _asymmetry(sums: HopSums, loud: np.ndarray, rate_hz: int) -> AsymmetrySeries:
    windows = _windows(sums)
    shape = (windows, HOPS_PER_WINDOW, sums.channels)
    highest, lowest = (a[: windows * HOPS_PER_WINDOW].reshape(shape) for a in (sums.highest, sums.lowest))
    return asymmetry_series(highest.max(axis=1), lowest.min(axis=1), loud_windows(loud, sums.frames, rate_hz))


def _local_crest_db(sums: HopSums) -> float | None:
    windows = _windows(sums)
    shape = (windows, HOPS_PER_WINDOW, sums.channels)
    peak, square = (
        a[: windows * HOPS_PER_WINDOW].reshape(shape)
        for a in (np.maximum(sums.highest, -sums.lowest), sums.square)
    )
    return local_crest_of(peak.max(axis=1), square.sum(axis=1) / (HOPS_PER_WINDOW * sums.hop))
