"""Added distortion: what the chain adds beside the mix, against what the mix masks.

With X, Y the spectra of reference and output, S_uv(b, t) the sum of conj(U) V over the bins of band b in frame t,
weighted by the outer and middle ear, R_uv the sum of S_uv over the region of (b, t), M the mask of the reference:

    g = R_xy / R_xx                                            complex gain
    E = S_yy - 2 Re(conj(g) S_xy) + |g|^2 S_xx                 residual, S of Y - g X
    G = sum |g|^2 S_xx / sum S_xx                              gain of the whole, all bands, frames, channels
    NMR = 10 log10 mean(E / (G M))                             over bands, frames, channels

How it works, per channel and frame of about 22 ms:

1. Both sides are transformed. In a region of neighbouring bands and three frames around each band the output
   is explained as a complex gain times the reference (least squares). Slow gain and a fraction of a sample of
   delay are explained and cost next to nothing; what is left is the residual. The region is large on purpose:
   over a single band and frame a gain can be found that explains nearly anything, distortion included. So it
   cannot follow a steep filter or several samples of delay either: compare in step, behind the linear stages.
2. |residual|^2 is grouped to the bands of the ear model and divided by the mask of the *reference*: the
   noise-to-mask ratio (NMR) of ITU-R BS.1387-1, annex 2, 3.3. The standard takes the difference of
   magnitudes as its error (3.1), because a codec may turn phases unheard; for a processor that only distorts,
   a component in quadrature with the mix would then cost nothing, so here the complex residual is used.
3. The overall level of the output does not matter: the residual is divided by one gain for the whole sound,
   that of the explained part (ear-weighted power, both channels together). A local gain would be closer to
   the moment, but where the mix has next to nothing in a region it means nothing, and hides what was added.

Every frame of every channel in which the reference is audible (a band above the ear's own noise) is one
observation, each channel with its own masks, as BS.1387 does; a silent channel does not dilute the other.

The end of the sound short of a whole hop is not seen. Sums are float64, spectra float32: a mere change of
gain reads about -130 dB.

BS.1387 was validated on codec artefacts, not on loudness processing: this is a relative cost, no verdict.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
import numpy.typing as npt
import scipy.fft

from autochain.audio.mix import Samples
from autochain.audio.room import pages_back, room_for
from autochain.errors import AutochainError
from autochain.measure._distortion_kernels import (
    cut_frames,
    group_cross_power,
    group_power,
    part_channels,
    region_power,
    regional_residual,
)
from autochain.measure.ear_model import (
    HIGHEST_BAND_HZ,
    Bands,
    Floats,
    Grouping,
    MaskingModel,
    ear_weight,
    full_scale_sine_db_spl,
    group_bins,
    make_bands,
    window_samples,
)
from autochain.measure.stream import Pieces
from autochain.units import power_to_db

Spectra = npt.NDArray[np.float32]  # (channels, real and imaginary part, bins, frames)
Regions = tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]

LOW_BANDS_BELOW_HZ = 200.0  # band centres; where fast releases and clipped bass show
_DISTURBED_ABOVE_DB = 1.5  # BS.1387-1, annex 2, 4.6 (relative disturbed frames)

_REGION_BANDS = 5
_REGION_BINS = 12
_CHUNK_FRAMES = 64  # a chunk's spectra stay in the second-level cache
_KEEP_SPECTRA_BYTES = 64_000_000  # 110 s of stereo; longer sounds are transformed anew each time


@dataclass(frozen=True, slots=True, kw_only=True)
class Distortion:
    """Added distortion as noise-to-mask ratios in dB; under 0 is masked on average, -200 is none at all.

    Attributes
    ----------
    nmr_db
        Total NMR: 10 log10 of the mean over observations and bands.
    nmr_low_db
        The same over the bands with centres below 200 Hz.
    nmr_worst_band_db
        Mean over observations of the band where it is largest.
    nmr_p95_db
        95th percentile over observations of their mean over bands.
    disturbed_share
        Share of observations, 0 to 1, whose worst band exceeds +1.5 dB.
    """

    nmr_db: float
    nmr_low_db: float
    nmr_worst_band_db: float
    nmr_p95_db: float
    disturbed_share: float


@dataclass(frozen=True, slots=True)
class _Frames:
    """How a sound is cut into windowed spectra."""

    window: npt.NDArray[np.float32]
    hop: int
    count: int
    bins: int

    def chunks(self) -> list[tuple[int, int]]:
        """Split into runs of frames that are worked on together, as (begin, end)."""
        return [(b, min(b + _CHUNK_FRAMES, self.count)) for b in range(0, self.count, _CHUNK_FRAMES)]

    def spectra(
        self, samples: Samples, begin: int, end: int, first: int | None = None, scratch: "_Scratch | None" = None
    ) -> Spectra:
        """Spectra of frames begin-1 .. end; those before the first and after the last frame are zero.

        Both channels go through one complex transform, as real and imaginary part. `samples` are C-contiguous; in a
        part of a sound the first of these frames is its frame `first`. The result lies in `scratch` where that is
        given.
        """
        channels = samples.shape[1]
        own = _Scratch(self, channels, end - begin, 0) if scratch is None else scratch
        cut_frames(
            samples.reshape(-1), channels, self.hop, begin - 1 if first is None else first, self.window, own.cut
        )
        own.cut[: max(0, 1 - begin)] = 0.0
        own.cut[max(0, self.count + 1 - begin) :] = 0.0
        # Transposed by the transform itself, which copies anyhow.
        part_channels(np.asarray(scipy.fft.fft(own.cut.view(np.complex64).T, axis=0)), own.spectra)
        return own.spectra


@dataclass(frozen=True, slots=True)
class _Known:
    """What every comparison needs of a chunk of the reference: spectra, power of the bands and of their regions.

    Shapes (channels, 2, bins, frames + 2), (channels, bands, frames + 2) and (channels, bands, frames).
    """

    spectra: Spectra
    power: Floats
    region: Floats


class _Scratch:
    """Arrays of one chunk, used again for the next: fresh ones of this size cost as much as what is done in them."""

    def __init__(self, frames: _Frames, channels: int, count: int, bands: int) -> None:
        self.cut: npt.NDArray[np.float32] = np.empty((count + 2, 2 * frames.window.size), dtype=np.float32)
        self.spectra: Spectra = np.empty((channels, 2, frames.bins, count + 2), dtype=np.float32)
        self.known = _Known(self.spectra, np.empty((channels, bands, count + 2)), np.empty((channels, bands, count)))
        self.power: Floats = np.empty((3, bands, count + 2))
        self.sums: Floats = np.empty((2, bands + 1, count))
        self.ratio: Floats = np.empty(count)
        self.by_frame: Floats = np.empty((5, count))


def _frames(rate_hz: int, length: int) -> _Frames:
    n = window_samples(rate_hz)
    hop = n // 2
    # BS.1387-1, annex 2, 2.1.3: the Hann window with zeros at both ends
    window = (0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(n) / (n - 1))).astype(np.float32)
    bins = math.ceil(HIGHEST_BAND_HZ * n / rate_hz - 0.5) + 1
    return _Frames(window, hop, max(0, (length - n) // hop + 1), bins)


def _regions(bands: Bands, bin_hz: float) -> Regions:
    """First and last band of each band's region: 5 bands and 12 bins or more, centred where there is room."""
    count = bands.centre_hz.size
    low, high = np.empty(count, dtype=np.int64), np.empty(count, dtype=np.int64)
    for b in range(count):
        first, last = b, b
        while (
            last - first + 1 < _REGION_BANDS
            or bands.upper_hz[last] - bands.lower_hz[first] < _REGION_BINS * bin_hz
        ):
            first, last = max(0, first - 1), min(count - 1, last + 1)
        low[b], high[b] = first, last
    return low, high


@dataclass(frozen=True, slots=True)
class _Analysis:
    """How frames become bands and regions."""

    frames: _Frames
    grouping: Grouping
    regions: Regions

    def known(self, samples: Samples, begin: int, end: int, scratch: "_Scratch | None" = None) -> _Known:
        """Analyse frames begin .. end of a reference; in `scratch` where that is given."""
        own = _Scratch(self.frames, samples.shape[1], end - begin, self.bands) if scratch is None else scratch
        known = own.known
        self.frames.spectra(samples, begin, end, None, own)
        for x, power, around in zip(known.spectra, known.power, known.region, strict=True):
            group_power(x, self.grouping.start, self.grouping.first_bin, self.grouping.weight, power)
            region_power(power, *self.regions, own.sums[0], around)
        return known

    @property
    def bands(self) -> int:
        """Number of bands."""
        return int(self.grouping.first_bin.size)

    def scratch(self, count: int, channels: int, last: "_Scratch | None") -> "_Scratch":
        """Arrays for a chunk of so many frames: the last ones where they fit."""
        fits = last is not None and last.ratio.size == count
        return last if fits and last is not None else _Scratch(self.frames, channels, count, self.bands)


class DistortionReference:
    """The sound before the chain, with its spectra and masks, ready for many comparisons.

    Safe to share between threads: `compare` changes nothing. The samples are kept, not copied, when they are
    C-contiguous.

    Parameters
    ----------
    reference_samples
        What goes into the dynamics stages (output of the linear ones), shape (frames, channels).
    rate_hz
        Sample rate, 44100 to 192000.
    integrated_lufs
        Integrated loudness of these samples; it stands for 83 dB SPL (common practice, no source). None (no
        loudness exists) makes every comparison None.
    """

    def __init__(self, reference_samples: Samples, rate_hz: int, integrated_lufs: float | None) -> None:
        length, channels = reference_samples.shape
        self._samples = reference_samples = np.ascontiguousarray(reference_samples)
        frames, bands = _frames(rate_hz, length), make_bands()
        bin_hz = rate_hz / frames.window.size
        self._low_bands = int(np.searchsorted(bands.centre_hz, LOW_BANDS_BELOW_HZ))
        self._audible = np.zeros((channels, frames.count), dtype=np.bool_)
        self._known: list[_Known] = []
        self._inverse_masks: list[npt.NDArray[np.float32]] = []
        if integrated_lufs is None:
            return
        weight = ear_weight(rate_hz, full_scale_sine_db_spl(integrated_lufs, channels))
        self._analysis = _Analysis(frames, group_bins(bands, bin_hz, weight), _regions(bands, bin_hz))
        keep = channels * frames.count * frames.bins * 8 <= _KEEP_SPECTRA_BYTES
        models = [MaskingModel(bands, frames.hop / rate_hz) for _ in range(channels)]
        shape = channels, bands.centre_hz.size
        # What stays is allocated first: between what is used again and again it would scatter all over the memory.
        # In one array, which has room on disk where a song lasts hours.
        chunks, values = frames.chunks(), channels * bands.centre_hz.size
        every = room_for((values * frames.count,))
        self._inverse_masks = [every[values * b : values * e].reshape(*shape, e - b) for b, e in chunks]
        scratch: _Scratch | None = None
        for (begin, end), inverse_mask in zip(chunks, self._inverse_masks, strict=True):
            scratch = self._analysis.scratch(end - begin, channels, None if keep else scratch)
            known = self._analysis.known(reference_samples, begin, end, scratch)
            if keep:
                self._known.append(known)
            for channel, model in enumerate(models):
                energy = known.power[channel, :, 1:-1]
                audible = model.audible(energy)
                inverse_mask[channel] = np.where(audible, model.inverse_mask(energy), 0.0)
                self._audible[channel, begin:end] = audible
            pages_back()

    def compare(self, output_samples: Samples) -> Distortion | None:
        """Measure what `output_samples` adds to the reference.

        Parameters
        ----------
        output_samples
            Output of the chain, aligned with the reference in time and of its shape; any overall level.

        Returns
        -------
        Distortion or None
            None when the reference is inaudible or shorter than a window, or the output holds nothing of it.

        Raises
        ------
        AutochainError
            When the shapes differ.
        """
        if output_samples.shape != self._samples.shape:
            raise AutochainError(
                f"output has shape {output_samples.shape}, the reference {self._samples.shape}; added "
                "distortion needs both in step. Compensate latency and keep the length."
            )
        if not self._audible.any():
            return None
        comparison = _Comparison(self._analysis, self._known_of, self._inverse_masks)
        comparison.whole(np.ascontiguousarray(output_samples))
        return self._distortion(comparison)

    def meter(self) -> "DistortionMeter":
        """Start to compare an output that comes in blocks."""
        return DistortionMeter(self)

    def _distortion(self, comparison: "_Comparison") -> Distortion | None:
        by_band = comparison.by_band
        total, worst, reference, explained, _ = comparison.by_frame[:, self._audible]
        if explained.sum() <= 0.0:
            return None
        level = reference.sum() / explained.sum()
        by_band *= level / total.size
        return Distortion(
            nmr_db=power_to_db(float(by_band.mean())),
            nmr_low_db=power_to_db(float(by_band[: self._low_bands].mean())),
            nmr_worst_band_db=power_to_db(float(by_band.max())),
            nmr_p95_db=power_to_db(float(np.percentile(total, 95.0, method="inverted_cdf") * level / by_band.size)),
            disturbed_share=float((worst * level > 10.0 ** (_DISTURBED_ABOVE_DB / 10.0)).mean()),
        )

    def _known_of(self, begin: int, end: int, scratch: _Scratch | None) -> _Known:
        if self._known:
            return self._known[begin // _CHUNK_FRAMES]
        return self._analysis.known(self._samples, begin, end, scratch)


class DistortionMeter:
    """Compares an output that comes in blocks with a reference: the bits of `DistortionReference.compare`."""

    def __init__(self, reference: DistortionReference) -> None:
        self._reference = reference
        self._audible = bool(reference._audible.any())
        if self._audible:
            frames, channels = reference._analysis.frames, reference._samples.shape[1]
            self._chunks = iter(frames.chunks())
            self._comparison = _Comparison(reference._analysis, reference._known_of, reference._inverse_masks)
            # A chunk needs a frame before it and one behind; a frame lasts two hops.
            self._pieces = Pieces(channels, frames.hop, _CHUNK_FRAMES * frames.hop, 2 * frames.hop)

    def push(self, block: Samples) -> None:
        """Take the next frames, shape (frames, channels)."""
        if self._audible:
            for piece in self._pieces.push(block):
                self._take(piece)

    def result(self) -> Distortion | None:
        """Of everything pushed, which must be as long as the reference."""
        if not self._audible:
            return None
        for piece, _ in self._pieces.rest():
            self._take(piece)
        return self._reference._distortion(self._comparison)

    def _take(self, piece: Samples) -> None:
        chunk = next(self._chunks, None)
        if chunk is not None:
            self._comparison.add(*chunk, piece, 0)


def _residual_ratio_db(reference_samples: Samples, output_samples: Samples, rate_hz: int) -> float | None:
    """Residual over explained power in dB, 20 Hz to 18 kHz, with no ear in between; None without any output.

    The same residual as in the measure, on a scale with closed forms: the THD of a tone, the
    signal-to-distortion ratio of clipped noise (negated).
    """
    residual, explained = _residual_powers(reference_samples, output_samples, rate_hz)
    return power_to_db(float(residual.sum()) / explained) if explained > 0.0 else None


def _residual_powers(reference_samples: Samples, output_samples: Samples, rate_hz: int) -> tuple[Floats, float]:
    """Residual of each band of `make_bands` and explained part of the output, without an ear, on one scale."""
    length, channels = reference_samples.shape
    reference_samples = np.ascontiguousarray(reference_samples)
    frames = _frames(rate_hz, length)
    bands, bin_hz = make_bands(), rate_hz / frames.window.size
    analysis = _Analysis(
        frames, group_bins(bands, bin_hz, np.ones(frames.window.size // 2 + 1)), _regions(bands, bin_hz)
    )
    no_mask = [np.ones((channels, bands.centre_hz.size, e - b), dtype=np.float32) for b, e in frames.chunks()]
    comparison = _Comparison(analysis, partial(analysis.known, reference_samples), no_mask)
    comparison.whole(np.ascontiguousarray(output_samples))
    return comparison.by_band, float(comparison.by_frame[3].sum())


class _Comparison:
    """Compares chunk by chunk.

    Attributes
    ----------
    by_band
        Residual over mask, summed over channels and frames, shape (bands,).
    by_frame
        Of every frame its sum and maximum over bands and the energies of reference, explained part of the output, and
        residual: (5, channels, frames).
    """

    def __init__(
        self,
        analysis: _Analysis,
        known_of: Callable[[int, int, _Scratch | None], _Known],
        inverse_masks: Sequence[npt.NDArray[np.float32]],
    ) -> None:
        self._analysis, self._known_of, self._inverse_masks = analysis, known_of, inverse_masks
        self._scratch: _Scratch | None = None
        self._anew: _Scratch | None = None  # for what a long reference does not keep
        self.by_band = np.zeros(analysis.grouping.first_bin.size)
        channels = inverse_masks[0].shape[0] if inverse_masks else 1
        self.by_frame = np.empty((5, channels, analysis.frames.count))

    def whole(self, output: Samples) -> None:
        """Compare all of a C-contiguous output."""
        for begin, end in self._analysis.frames.chunks():
            self.add(begin, end, output, begin - 1)

    def add(self, begin: int, end: int, part: Samples, first: int) -> None:
        """Compare frames begin .. end; those of `part` with their neighbours are from its frame `first` on."""
        frames, grouping = self._analysis.frames, self._analysis.grouping
        channels = part.shape[1]
        scratch = self._scratch = self._analysis.scratch(end - begin, channels, self._scratch)
        self._anew = self._analysis.scratch(end - begin, channels, self._anew)
        known = self._known_of(begin, end, self._anew)
        y = frames.spectra(part, begin, end, first, scratch)
        for channel in range(channels):
            group_cross_power(
                known.spectra[channel], y[channel], grouping.start, grouping.first_bin, grouping.weight, scratch.power
            )
            regional_residual(
                known.power[channel], known.region[channel], scratch.power, *self._analysis.regions,
                self._inverse_masks[begin // _CHUNK_FRAMES][channel], scratch.sums, scratch.ratio, self.by_band,
                scratch.by_frame,
            )  # fmt: skip
            self.by_frame[:, channel, begin:end] = scratch.by_frame
