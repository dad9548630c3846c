"""What the ear can hear beside the mix: bands, thresholds and masks of the BS.1387 FFT ear model.

Source: ITU-R BS.1387-1 (2001), annex 2, sections 2.1 and 3; constants as in P. Kabal, "An examination and
interpretation of ITU-R BS.1387: perceptual evaluation of audio quality", McGill University (2002).

Departures, each for a reason:

- Window of about 22 ms instead of 43 ms. What mastering adds (fast gain ripple, clipped onsets) is short;
  a long window spreads it over its quiet surroundings.
- Three bands from 20 to 80 Hz below the published 109, on the same Bark grid (the lowest is cut at 20 Hz):
  a limiter's release shows there first. Formulas of the standard are carried on below 80 Hz.
- A sound's own level enters as the loudness of the whole mix, which stands for 83 dB SPL, not as 92 dB SPL
  for full scale: masks must not depend on how hot the file happens to be.
"""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from autochain.measure._distortion_kernels import spread_and_smear

Floats = npt.NDArray[np.float64]

_LOWEST_HZ = 20.0
_GRID_START_HZ = 80.0  # lower edge of the first band of BS.1387, basic version
HIGHEST_BAND_HZ = 18000.0
BAND_BARK = 0.25
_PLAYBACK_DB_SPL = 83.0  # common practice, no source: integrated loudness is heard at this level

# A Hann window reads a sine half a bin off centre this much lower. BS.1387 calibrates with 1019.5 Hz, 43.5
# bins of its window; using the same factor at every rate keeps the level independent of the rate.
_HALF_BIN_OFF = 2.0 / np.pi / 0.75

# The published upper slope -24 - 230/fc + 0.2 L dB/Bark turns upwards near L = 120 dB SPL, which a peak of
# a very dynamic mix can reach. It is followed up to here only.
_LOUDEST_SPREAD_DB = 110.0


def _bark(frequency_hz: Floats | float) -> Floats:
    """Position on the Bark scale of a frequency in Hz (BS.1387-1, annex 2, 2.1.5); inverse of `_hertz`."""
    return np.asarray(7.0 * np.arcsinh(np.asarray(frequency_hz) / 650.0))


def _hertz(position_bark: Floats | float) -> Floats:
    """Frequency in Hz of a position on the Bark scale; inverse of `_bark`."""
    return np.asarray(650.0 * np.sinh(np.asarray(position_bark) / 7.0))


def outer_middle_ear_db(frequency_hz: Floats | float) -> Floats:
    """Gain in dB from free field to inner ear at a frequency > 0 Hz (BS.1387-1, annex 2, 2.1.4)."""
    f = np.asarray(frequency_hz, dtype=np.float64) / 1000.0
    return np.asarray(-0.6 * 3.64 * f**-0.8 + 6.5 * np.exp(-0.6 * (f - 3.3) ** 2) - 0.001 * f**3.6)


def window_samples(rate_hz: int) -> int:
    """Window length in samples: 1024 at 44.1 and 48 kHz, doubled with every doubling of the rate."""
    return int(1024 * 2 ** max(0, round(np.log2(rate_hz / 46000.0))))


def full_scale_sine_db_spl(integrated_lufs: float, channels: int) -> float:
    """Level in dB SPL at each ear of a full-scale 1 kHz sine, when the mix plays at 83 dB SPL.

    A full-scale sine in both channels has 0 LUFS, in a single channel -3.01 LUFS (ITU-R BS.1770-5), so a mono
    file and the same sound in two channels reach the ear at one level.
    """
    return _PLAYBACK_DB_SPL - integrated_lufs - 10.0 * math.log10(2.0 / channels)


@dataclass(frozen=True, slots=True, kw_only=True)
class Bands:
    """The bands, in rising order; every array has shape (bands,) and float64.

    Attributes
    ----------
    lower_hz, centre_hz, upper_hz
        Edges, and the centre between them on the Bark scale.
    internal_noise_db
        Level of the ear's own noise in dB SPL after the outer and middle ear.
    mask_offset_db
        How far below the spread excitation a noise is masked.
    smearing_s
        Time constant of forward masking.
    """

    lower_hz: Floats
    centre_hz: Floats
    upper_hz: Floats
    internal_noise_db: Floats
    mask_offset_db: Floats
    smearing_s: Floats


def make_bands() -> Bands:
    """Return the 109 bands of BS.1387 (basic version) with three more below 80 Hz."""
    start, end = float(_bark(_GRID_START_HZ)), float(_bark(HIGHEST_BAND_HZ))
    below = int(np.ceil((start - float(_bark(_LOWEST_HZ))) / BAND_BARK))
    index = np.arange(-below, np.ceil((end - start) / BAND_BARK))  # the standard's band number, 0 at 80 Hz
    lower = np.maximum(start + BAND_BARK * index, float(_bark(_LOWEST_HZ)))
    upper = np.minimum(start + BAND_BARK * (index + 1), end)
    centre_hz = _hertz((lower + upper) / 2.0)
    return Bands(
        lower_hz=_hertz(lower),
        centre_hz=centre_hz,
        upper_hz=_hertz(upper),
        internal_noise_db=0.4 * 3.64 * (centre_hz / 1000.0) ** -0.8,  # BS.1387-1, annex 2, 2.1.6
        mask_offset_db=np.where(index <= 12.0 / BAND_BARK, 3.0, 0.25 * BAND_BARK * index),  # section 3.2
        smearing_s=0.008 + 100.0 / centre_hz * (0.030 - 0.008),  # BS.1387-1, annex 2, 2.1.8
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Grouping:
    """How the bins of one spectrum are shared among the bands, as the rows of a sparse matrix.

    Attributes
    ----------
    start
        shape (bands + 1,): entries `start[b]` to `start[b + 1]` belong to band b.
    first_bin
        shape (bands,): bin of the first entry; the others follow without gaps.
    weight
        shape (entries,): share of the bin's width that lies in the band, times the bin's power weight.
    """

    start: npt.NDArray[np.int64]
    first_bin: npt.NDArray[np.int64]
    weight: Floats


def group_bins(bands: Bands, bin_hz: float, bin_weight: Floats) -> Grouping:
    """Share bins among bands by overlap of their widths (BS.1387-1, annex 2, 2.1.5).

    Parameters
    ----------
    bands
        The bands.
    bin_hz
        Distance between bins; bin k reaches from k - 1/2 to k + 1/2 of it.
    bin_weight
        shape (bins,): factor on the power of each bin.
    """
    first = np.floor(bands.lower_hz / bin_hz + 0.5).astype(np.int64)
    last = np.ceil(bands.upper_hz / bin_hz - 0.5).astype(np.int64)
    start = np.concatenate([[0], np.cumsum(last - first + 1)])
    weight = np.empty(start[-1])
    for b in range(first.size):
        k = np.arange(first[b], last[b] + 1)
        low = np.maximum(k - 0.5, bands.lower_hz[b] / bin_hz)
        high = np.minimum(k + 0.5, bands.upper_hz[b] / bin_hz)
        weight[start[b] : start[b + 1]] = (high - low) * bin_weight[k]
    return Grouping(start=start, first_bin=first, weight=weight)


def ear_weight(rate_hz: int, sine_db_spl: float, window: int | None = None) -> Floats:
    """Return the factor from |FFT|^2 of a Hann-windowed frame to power at the inner ear, per bin.

    1.0 is 0 dB SPL. Shape (window // 2 + 1,). The bin at 0 Hz is weighted as its upper half is, at a quarter
    of the bin distance, where the weighting is still finite.

    Parameters
    ----------
    rate_hz
        Sample rate.
    sine_db_spl
        Level that a full-scale 1019.5 Hz sine stands for.
    window
        Length of the frame in samples, where it is not `window_samples`.
    """
    n = window or window_samples(rate_hz)
    f = np.arange(n // 2 + 1, dtype=np.float64) * (rate_hz / n)
    f[0] = rate_hz / n / 4.0
    peak = _HALF_BIN_OFF * (n - 1) / 4.0
    return np.asarray(10.0 ** ((sine_db_spl + outer_middle_ear_db(f)) / 10.0) / peak**2)


class MaskingModel:
    """Turns band energies, frame by frame, into what they mask (BS.1387-1, annex 2, 2.1.6 to 2.1.8, 3.2).

    It remembers the last frame, so that a long sound can be handed over in pieces: one object per channel.

    Parameters
    ----------
    bands
        The bands.
    hop_s
        Time between frames in seconds.
    """

    def __init__(self, bands: Bands, hop_s: float) -> None:
        self._noise = 10.0 ** (bands.internal_noise_db / 10.0)
        self._decay = np.exp(-hop_s / bands.smearing_s)
        self._offset = 10.0 ** (bands.mask_offset_db / 10.0)
        self._slope = (-24.0 - 230.0 / bands.centre_hz) * BAND_BARK / 10.0 * np.log(10.0)
        self._smeared = np.zeros_like(self._noise)
        # Equal energy in all bands must come out as it went in: divide by what unit energies spread to.
        one, zero = np.ones_like(self._noise), np.zeros_like(self._noise)
        self._norm = self._spread(one[:, np.newaxis], zero, zero, one, one)[:, 0]
        self._smeared[:] = 0.0

    def inverse_mask(self, energy: Floats) -> Floats:
        """Return 1 / masked energy for band energies (1.0 = 0 dB SPL), both of shape (bands, frames)."""
        return self._spread(energy, self._noise, self._decay, self._norm, self._offset)

    def audible(self, energy: Floats) -> npt.NDArray[np.bool_]:
        """Tell, per frame, whether any band rises above the ear's own noise; shape (frames,)."""
        return np.asarray((energy > self._noise[:, np.newaxis]).any(axis=0))

    def _spread(self, energy: Floats, noise: Floats, decay: Floats, norm: Floats, offset: Floats) -> Floats:
        energy = np.ascontiguousarray(energy)
        out, work = np.empty_like(energy), np.empty((2, *energy.shape))
        loudest = 10.0 ** (_LOUDEST_SPREAD_DB / 10.0)
        spread_and_smear(
            energy, noise, self._slope, BAND_BARK, loudest, norm, decay, offset, self._smeared, work, out
        )
        return out
