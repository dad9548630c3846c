"""Added distortion: what the chain adds beside the mix, against what the mix masks.

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

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np
import numpy.typing as npt
import scipy.fft

from autochain.audio.mix import Samples
from autochain.errors import AutochainError
from autochain.measure._distortion_kernels import group_cross_power, regional_residual
from autochain.measure.ear_model import (
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
from autochain.units import power_to_db

Spectra = npt.NDArray[np.complex64]
Regions = tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]

LOW_BANDS_BELOW_HZ = 200.0  # band centres; where fast releases and clipped bass show
DISTURBED_ABOVE_DB = 1.5  # BS.1387-1, annex 2, 4.6 (relative disturbed frames)

_REGION_BANDS = 5
_REGION_BINS = 12
_CHUNK_FRAMES = 256  # a chunk's spectra stay in the second-level cache
_KEEP_SPECTRA_BYTES = 64_000_000  # 90 s of stereo at 44.1 kHz; longer sounds are transformed anew each time


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

    def spectra(self, samples: Samples, channel: int, begin: int, end: int) -> Spectra:
        """Spectra of frames begin..end-1 of a channel, shape (frames, bins)."""
        n = self.window.size
        stretch = samples[begin * self.hop : (end - 1) * self.hop + n, channel]
        sound = np.ascontiguousarray(stretch, dtype=np.float32)
        frames = np.lib.stride_tricks.sliding_window_view(sound, n)[:: self.hop]
        return np.asarray(scipy.fft.rfft(frames * self.window, axis=1, overwrite_x=True))

    def chunks(self) -> list[tuple[int, int]]:
        """Split into runs of frames that are worked on together, as (begin, end)."""
        return [(b, min(b + _CHUNK_FRAMES, self.count)) for b in range(0, self.count, _CHUNK_FRAMES)]


def _frames(rate_hz: int, length: int) -> _Frames:
    n = window_samples(rate_hz)
    hop = n // 2
    # BS.1387-1, annex 2, 2.1.3: the Hann window with zeros at both ends
    window = (0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(n) / (n - 1))).astype(np.float32)
    return _Frames(window, hop, max(0, (length - n) // hop + 1))


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


class DistortionReference:
    """The sound before the chain, with its spectra and masks, ready for many comparisons.

    Safe to share between threads: `compare` changes nothing. The samples are kept, not copied.

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
        self._samples = reference_samples
        self._frames = _frames(rate_hz, length)
        bands = make_bands()
        bin_hz = rate_hz / self._frames.window.size
        self._regions = _regions(bands, bin_hz)
        self._low_bands = int(np.searchsorted(bands.centre_hz, LOW_BANDS_BELOW_HZ))
        shape = (channels, self._frames.count, bands.centre_hz.size)
        self._audible = np.zeros(shape[:2], dtype=np.bool_)
        self._spectra: Spectra | None = None
        if integrated_lufs is None:
            return
        weight = ear_weight(rate_hz, full_scale_sine_db_spl(integrated_lufs, channels))
        self._grouping = group_bins(bands, bin_hz, weight)
        self._inverse_mask = np.empty(shape, dtype=np.float32)
        bins = self._frames.window.size // 2 + 1
        if channels * self._frames.count * bins * 8 <= _KEEP_SPECTRA_BYTES:
            self._spectra = np.empty((channels, self._frames.count, bins), dtype=np.complex64)
        for channel in range(channels):
            model = MaskingModel(bands, self._frames.hop / rate_hz)
            for begin, end in self._frames.chunks():
                spectra = self._frames.spectra(reference_samples, channel, begin, end)
                if self._spectra is not None:
                    self._spectra[channel, begin:end] = spectra
                energy = _cross_power(spectra, spectra, self._grouping)[0]
                self._inverse_mask[channel, begin:end] = model.inverse_mask(energy)
                self._audible[channel, begin:end] = model.audible(energy)

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
        ratio, totals = _scan(
            self._frames, self._reference_spectra, output_samples, self._grouping, self._regions,
            self._inverse_mask, self._audible,
        )  # fmt: skip
        explained, reference = totals[1], totals[0]
        if explained <= 0.0:
            return None
        ratio = ratio[self._audible] * np.float32(reference / explained)  # (observations, bands)
        by_band = ratio.mean(axis=0, dtype=np.float64)
        by_frame = ratio.mean(axis=1)
        return Distortion(
            nmr_db=power_to_db(float(by_band.mean())),
            nmr_low_db=power_to_db(float(by_band[: self._low_bands].mean())),
            nmr_worst_band_db=power_to_db(float(by_band.max())),
            nmr_p95_db=power_to_db(float(np.percentile(by_frame, 95.0, method="inverted_cdf"))),
            disturbed_share=float((ratio.max(axis=1) > 10.0 ** (DISTURBED_ABOVE_DB / 10.0)).mean()),
        )

    def _reference_spectra(self, channel: int, begin: int, end: int) -> Spectra:
        if self._spectra is not None:
            return self._spectra[channel, begin:end]
        return self._frames.spectra(self._samples, channel, begin, end)


def _residual_ratio_db(reference_samples: Samples, output_samples: Samples, rate_hz: int) -> float | None:
    """Residual over explained power in dB, 20 Hz to 18 kHz, with no ear in between; None without any output.

    The same residual as in the measure, on a scale with closed forms: the THD of a tone, the
    signal-to-distortion ratio of clipped noise (negated).
    """
    length, channels = reference_samples.shape
    frames = _frames(rate_hz, length)
    bands, bin_hz = make_bands(), rate_hz / frames.window.size
    _, totals = _scan(
        frames, partial(frames.spectra, reference_samples), output_samples,
        group_bins(bands, bin_hz, np.ones(frames.window.size // 2 + 1)), _regions(bands, bin_hz),
        np.ones((channels, frames.count, bands.centre_hz.size), dtype=np.float32),
        np.ones((channels, frames.count), dtype=np.bool_),
    )  # fmt: skip
    return power_to_db(totals[2] / totals[1]) if totals[1] > 0.0 else None


def _scan(
    frames: _Frames,
    reference_spectra: Callable[[int, int, int], Spectra],
    output_samples: Samples,
    grouping: Grouping,
    regions: Regions,
    inverse_mask: npt.NDArray[np.float32],
    counted: npt.NDArray[np.bool_],
) -> tuple[npt.NDArray[np.float32], Floats]:
    """Residual over mask of every channel, frame and band, and energies of reference, explained, residual."""
    ratio = np.empty_like(inverse_mask)
    totals, work = np.zeros(3), np.empty((3, inverse_mask.shape[2]))
    for channel in range(output_samples.shape[1]):
        for begin, end in frames.chunks():
            low, high = max(0, begin - 1), min(frames.count, end + 1)  # regions reach one frame further
            output_spectra = frames.spectra(output_samples, channel, low, high)
            power = _cross_power(reference_spectra(channel, low, high), output_spectra, grouping)
            regional_residual(
                power, begin - low, end - low, counted[channel, begin:end], *regions,
                inverse_mask[channel, begin:end], work, ratio[channel, begin:end], totals,
            )  # fmt: skip
    return ratio, totals


def _cross_power(x: Spectra, y: Spectra, grouping: Grouping) -> Floats:
    """Band sums of |x|^2, |y|^2 and the parts of x* y, shape (4, frames, bands)."""
    out = np.empty((4, x.shape[0], grouping.first_bin.size))
    group_cross_power(x, y, grouping.start, grouping.first_bin, grouping.weight, out)
    return out
