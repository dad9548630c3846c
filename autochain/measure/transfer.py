"""What a static linear change, such as an equaliser or an all-pass, did between two sounds in step.

One long-term transfer matrix is estimated: every output channel from every input channel, so that mid/side
equalisers and width changes are seen too. H = Syx Sxx^-1 per bin from averaged spectra, the least-squares
solution when the output's distortion is unrelated to the input (J. S. Bendat and A. G. Piersol, Random Data, 4th ed.,
7.2). Windows of 3 s, because a window cuts off what rings out of it, and less of it the longer it is.

H is then smoothed to a finite impulse response: up to 150 Hz 46 ms before 0 and 139 ms after, above that half as
long per octave, at least 3 and 9 ms. An equaliser or an all-pass rings for a number of its periods; what looks
like a longer response at high frequencies is distortion that follows the notes, and a response that long took it
in and gave it back elsewhere (5 dB too much on clipped music). So a filter that rings longer, such as a notch of
Q 20 at 3 kHz or a reverberation, stays in the residual. The smoothing counts a bin by its coherence C, as
C / (1 - C + 0.001): gaps between partials, where distortion decides, say little.
"""

from dataclasses import dataclass

import numpy as np
import scipy.fft

from autochain.audio.mix import Samples
from autochain.audio.room import pages_back, room_for
from autochain.measure.cross_spectra import Complexes, CrossSpectra, Floats, cross_spectra, debiased

_BLOCK_FRAMES = 1 << 20
_BEFORE_S = 0.0464  # 2048 samples at 44.1 kHz
_AFTER_S = 0.1393  # 6144
_LONGEST_BELOW_HZ = 150.0
_HALVINGS = 4
_WINDOW_S = 2.973  # 131072
_WINDOWS = 240
_LEAST_WINDOWS = 6
_REGULAR = 1e-13  # of the loudest bin's power, about the rounding of float32 spectra: less is no sound
_ALONE = 1e-5
_SIDE_REGULAR = 1e-6  # of the bin's power: what two nearly equal channels do not tell apart


@dataclass(frozen=True, slots=True, kw_only=True)
class Transfer:
    """A transfer matrix as impulse responses.

    Attributes
    ----------
    taps
        Shape (taps, outputs, inputs), float64.
    zero
        Index of the tap that stands for no delay.
    rate_hz
        Sample rate.
    """

    taps: Floats
    zero: int
    rate_hz: int

    def apply(self, samples: Samples) -> Samples:
        """Filter a sound, in step, with the same length and dtype; silence before and after it."""
        from scipy.signal import oaconvolve  # half a second to load, which only `compare` needs

        frames, channels = samples.shape
        out = room_for(samples.shape, samples.dtype)
        dtype = samples.dtype if samples.dtype == np.float64 else np.dtype(np.float32)
        last = len(self.taps) - 1
        for start in range(0, frames, _BLOCK_FRAMES):  # the transforms of a whole song would need several copies of it
            stop = min(frames, start + _BLOCK_FRAMES)
            first, end = start + self.zero - last, stop + self.zero
            inputs = samples[max(0, first) : min(frames, end)].astype(dtype, copy=False)
            inputs = np.pad(inputs, ((max(0, -first), max(0, end - frames)), (0, 0)))
            for i in range(channels):
                filtered = oaconvolve(inputs, self.taps[:, i, :].astype(dtype), mode="valid", axes=0)
                out[start:stop, i] = filtered.sum(axis=1)
            pages_back()
        return out

    def magnitude_db(self, frequencies_hz: Floats) -> Floats:
        """Gain of each output from its own input in dB, not below -200, shape (frequencies, channels)."""
        turn = np.exp(-2j * np.pi * np.outer(frequencies_hz / self.rate_hz, np.arange(len(self.taps)) - self.zero))
        response = np.abs(turn @ np.diagonal(self.taps, axis1=1, axis2=2))
        return np.asarray(20.0 * np.log10(np.maximum(response, 1e-10)))


def gain_alone(reference: Samples, output: Samples, rate_hz: int) -> Transfer:
    """One gain for each channel, by least squares; parameters as of `estimate_transfer`."""
    shared, own = np.zeros((2, reference.shape[1]))
    for start in range(0, len(reference), _BLOCK_FRAMES):  # products of a whole song would be six copies of it
        x, y = (s[start : start + _BLOCK_FRAMES].astype(np.float64, copy=False) for s in (reference, output))
        shared += np.sum(x * y, axis=0)
        own += np.sum(x * x, axis=0)
    gains = shared / np.maximum(own, 1e-300)
    return Transfer(taps=np.diag(gains)[np.newaxis], zero=0, rate_hz=rate_hz)


def estimate_transfer(reference: Samples, output: Samples, rate_hz: int, shorter: int = 1) -> Transfer:
    """Estimate what was done to a reference, distortion aside.

    Parameters
    ----------
    reference, output
        Shape (frames, channels), in step to a few samples, of equal shape, 1 s or longer.
    rate_hz
        Sample rate.
    shorter
        The response is that many times shorter than described above: less of an equaliser in the bass is held,
        and less is taken for an equaliser that only follows the notes.
    """
    longest = min(_WINDOW_S * rate_hz, 2.0 * reference.shape[0] / (_LEAST_WINDOWS + 1))
    window = int(2 ** np.floor(np.log2(longest * 1.001)))
    longest_response = ((_BEFORE_S, window // 8), (_AFTER_S, 3 * (window // 8)))
    zero, last = (min(round(part_s * rate_hz), most) // shorter for part_s, most in longest_response)
    S = cross_spectra(reference, output, window, _WINDOWS)
    return Transfer(taps=_response(S, rate_hz, zero, last), zero=zero, rate_hz=rate_hz)


def _response(S: CrossSpectra, rate_hz: int, zero: int, last: int) -> Floats:
    """Smooth Syx Sxx^-1 to taps, shape (zero + last, outputs, inputs)."""
    bins, channels = S.yy.shape
    power = np.trace(S.xx, axis1=1, axis2=2).real / channels
    # Where the output holds 50 dB more than the input accounts for, it is no filter's doing.
    alone = _ALONE * S.yy.sum(axis=1) * (power.sum() / max(S.yy.sum(), 1e-300))
    regular = _REGULAR * power.max() + _SIDE_REGULAR * power + alone + 1e-300
    H = S.yx @ np.linalg.inv(S.xx + regular[:, np.newaxis, np.newaxis] * np.eye(channels))
    explained = np.einsum("fij,fij->fi", H, S.yx.conj()).real
    octaves = np.log2(np.maximum(np.arange(bins) * rate_hz / (2.0 * (bins - 1)), 1.0) / _LONGEST_BELOW_HZ)
    share = [np.clip(1.0 - np.abs(np.clip(octaves, 0.0, _HALVINGS) - k), 0.0, 1.0) for k in range(_HALVINGS + 1)]
    # Two windows see a delayed sound by their overlap only: the response fades with the window's correlation.
    window = np.hanning(2 * (bins - 1) + 1)[:-1]
    seen = scipy.fft.irfft(np.abs(scipy.fft.rfft(window, 2 * window.size)) ** 2)[: last + 1]
    unfade = (seen[0] / seen)[np.abs(np.arange(-zero, last))]
    taps = np.empty((zero + last, channels, channels))
    for i in range(channels):
        C = debiased(np.clip(explained[:, i] / np.maximum(S.yy[:, i], 1e-300), 0.0, 1.0), S.windows, channels)
        weight = C / (1.0 - C + 1e-3) + 1e-6
        smooth = np.zeros((bins, channels), dtype=np.complex128)
        for k, part in enumerate(share):
            before, after = max(16, zero >> k), max(16, last >> k)
            total = _smooth(weight.astype(np.complex128), before, after)
            for j in range(channels):
                smooth[:, j] += part * _smooth(weight * H[:, i, j], before, after) / total
        responses = scipy.fft.irfft(smooth, axis=0)
        around_zero = np.concatenate([responses[-zero:], responses[:last]])
        taps[:, i] = around_zero * (unfade * _taper(zero, last))[:, np.newaxis]
    return taps


def _smooth(spectrum: Complexes, before: int, after: int) -> Complexes:
    """Smooth over frequency by shortening in time."""
    response = scipy.fft.irfft(spectrum)
    taper = _taper(before, after)
    response[:after] *= taper[before:]
    response[-before:] *= taper[:before]
    response[after:-before] = 0.0
    return np.asarray(scipy.fft.rfft(response))


def _taper(before: int, after: int) -> Floats:
    """One around 0, raised cosines over the outer quarter of each side."""

    def rise(length: int) -> Floats:
        ramp = 0.5 - 0.5 * np.cos(np.pi * (np.arange(length // 4) + 0.5) / (length // 4))
        return np.concatenate([ramp, np.ones(length - length // 4)])

    return np.concatenate([rise(before), rise(after)[::-1]])
