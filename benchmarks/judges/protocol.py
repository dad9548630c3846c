"""How every master is put before the judges: in step, at one loudness, against the best static filter of its mix.

Fixed before any run that is reported:

1. The mix is the reference; the same stretches of it are judged for every master: in each quarter of the song
   the loudest 5 s. They are chosen from the mix alone and have nothing to do with the excerpts of a search.
2. In step: whatever whole delay is left is taken out, at the highest magnitude of the complex
   cross-correlation, which a phase rotation does not move.
3. The best static filter from mix to master, two channels in and two out, is applied to the mix. What it explains
   (gain, equalising, of mid and side apart too, phase rotation, a fraction of a sample) costs nothing. It is
   estimated on the whole song, from cross-spectra smoothed over a 24th of an octave, 50 Hz at most (all-pass sections
   delay frequencies unequally), in turns with the slow gain (`slow_gain`): a moving level would otherwise look like a
   filter wherever it happens to agree with what plays. The gain is not applied here.
4. Level: the filtered mix is brought to the loudness of the master over the stretches, within 0.05 LU (BS.1770
   by libebur128, not by the project's own meter).

All at 48 kHz, where the judges are defined, so that nothing is resampled.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pyebur128
import scipy.fft
import scipy.signal

Samples = npt.NDArray[np.floating]
Floats = npt.NDArray[np.float64]

RATE_HZ = 48000
STRETCHES = 4
STRETCH_S = 5.0
LEVEL_WITHIN_LU = 0.05

_FILTER = 16384  # samples: 0.34 s, a rotation down to 20 Hz
_SMOOTHING = 1.0 / 24.0  # octave
_MOST_SMOOTHING_HZ = 50.0
_LEAST_BINS = 3
_HOLD = 1e-4  # of a bin's mean power: under what a master could do to the side by ear
_MOST_DELAY = 4800
_TURNS = 2
_GAIN_WINDOW = round(0.040 * RATE_HZ)
_GAIN_STEP = round(0.010 * RATE_HZ)


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """What a judge hears, as (samples, channels) per stretch: the mix as the best static filter makes it, the master.

    `lufs` is the loudness both have.
    """

    reference: list[Floats]
    master: list[Floats]
    lufs: float


def stretches(mix: Samples) -> list[slice]:
    """In each quarter of the song the loudest 5 s by mean square, on a grid of 0.1 s."""
    step, length = RATE_HZ // 10, round(STRETCH_S * 10)
    power = np.square(mix[: len(mix) // step * step]).reshape(-1, step * mix.shape[1]).mean(axis=1, dtype=np.float64)
    found = []
    for part in np.array_split(np.arange(len(power)), STRETCHES):
        if len(part) < length:
            raise ValueError(f"{len(mix) / RATE_HZ:.1f} s are too short for {STRETCHES} stretches of {STRETCH_S:g} s")
        loudness = np.convolve(power[part], np.ones(length), mode="valid")
        first = (part[0] + int(np.argmax(loudness))) * step
        found.append(slice(first, first + length * step))
    return found


def loudness_lufs(parts: Sequence[Samples]) -> float:
    """Gated loudness over several parts, read by libebur128."""
    state = pyebur128.R128State(parts[0].shape[1], RATE_HZ, pyebur128.MeasurementMode.MODE_I)
    for part in parts:
        interleaved = np.ascontiguousarray(part, dtype=np.float64).ravel()
        state.add_frames(interleaved, len(part))
    return float(pyebur128.get_loudness_global(state))


def delay_of(mix: Samples, master: Samples) -> int:
    """Samples by which the master is late, within a tenth of a second; from 10 s in the middle."""
    start = max(0, min(len(mix), len(master)) // 2 - 5 * RATE_HZ)
    part = slice(start, start + 10 * RATE_HZ)
    length = scipy.fft.next_fast_len(2 * 10 * RATE_HZ)
    x, y = (scipy.fft.fft(s[part].mean(axis=1, dtype=np.float64), length) for s in (mix, master))
    cross = np.conj(x) * y
    cross[length // 2 :] = 0.0  # positive frequencies alone: the magnitude is the envelope of the correlation
    envelope = np.abs(scipy.fft.ifft(cross))
    lags = np.arange(-_MOST_DELAY, _MOST_DELAY + 1)
    return int(lags[np.argmax(envelope[lags])])


def spectra(samples: Floats) -> npt.NDArray[np.complex128]:
    """Spectra of half-overlapped Hann windows, shape (channels, windows, bins)."""
    frames = np.lib.stride_tricks.sliding_window_view(samples, _FILTER, axis=0)[:: _FILTER // 2]
    window = scipy.signal.windows.hann(_FILTER, sym=False)
    return np.stack([scipy.fft.rfft(frames[:, channel] * window) for channel in range(samples.shape[1])])


def filtered(mix: Floats, of_mix: npt.NDArray[np.complex128], master: Floats) -> Floats:
    """The mix through the static filter that explains most of the master, from every channel to every channel.

    `of_mix` are the mix's own `spectra`. Least squares in every bin, `H = Syx (Sxx + hold)^-1`: where both channels
    play the same, `hold` keeps what the side would do from being free.
    """
    bins = np.arange(_FILTER // 2 + 1)
    most = round(0.5 * _MOST_SMOOTHING_HZ * _FILTER / RATE_HZ)
    half = np.clip((bins * (2.0 ** (_SMOOTHING / 2.0) - 1.0)).astype(int), _LEAST_BINS, most)
    low, high = np.maximum(bins - half, 0), np.minimum(bins + half + 1, bins.size)

    def smoothed(values: npt.NDArray[np.complex128]) -> npt.NDArray[np.complex128]:
        running = np.concatenate((np.zeros_like(values[..., :1]), np.cumsum(values, axis=-1)), axis=-1)
        return running[..., high] - running[..., low]

    own = smoothed(np.einsum("awf,bwf->abf", of_mix, np.conj(of_mix)))
    across = smoothed(np.einsum("awf,bwf->abf", spectra(master), np.conj(of_mix)))
    power = np.einsum("aaf->f", own).real / len(own)
    hold = _HOLD * power + 1e-12 * power.max()
    held = own + hold * np.eye(len(own))[:, :, None]
    transfer = np.einsum("acf,cbf->abf", across, np.moveaxis(np.linalg.inv(np.moveaxis(held, -1, 0)), 0, -1))
    taps = np.roll(scipy.fft.irfft(transfer), _FILTER // 2, axis=-1) * scipy.signal.windows.tukey(_FILTER, 0.2)
    return np.stack(
        [
            sum(scipy.signal.oaconvolve(mix[:, source], taps[to, source])[_FILTER // 2 :][: len(mix)]
                for source in range(len(own)))
            for to in range(len(own))
        ],
        axis=1,
    )  # fmt: skip


def slow_gain(reference: Floats, master: Floats) -> Floats:
    """Gain over time that brings the reference nearest to the master, one value per sample for all channels.

    Fitted in Hann windows of 40 ms every 10 ms and joined by straight lines: what a hand or a slow compressor
    does. A release so fast that it follows the bass is not slow gain.
    """
    window = np.hanning(_GAIN_WINDOW) ** 2

    def sums(product: Floats) -> Floats:
        frames = np.lib.stride_tricks.sliding_window_view(product.sum(axis=1), _GAIN_WINDOW)[::_GAIN_STEP]
        return np.asarray(frames @ window)

    cross, power = sums(reference * master), sums(reference**2)
    hold = 1e-4 * power.mean()  # where the mix is silent there is nothing to fit: unity
    at = np.arange(len(power)) * _GAIN_STEP + 0.5 * (_GAIN_WINDOW - 1)
    return np.asarray(np.interp(np.arange(len(reference)), at, (cross + hold) / (power + hold)))


def explained(mix: Floats, master: Floats) -> Floats:
    """The mix through the best static filter, found in turns with the slow gain."""
    of_mix = spectra(mix)
    like = filtered(mix, of_mix, master)
    for _ in range(_TURNS):
        gain = slow_gain(like, master)
        like = filtered(mix, of_mix, master / gain[:, None])
    return like


def pair(mix: Samples, master: Samples) -> Pair:
    """Bring a mix and its master before the judges."""
    late = delay_of(mix, master)
    length = min(len(mix), len(master) - late) if late >= 0 else min(len(mix) + late, len(master))
    x = np.asarray(mix[max(0, -late) :][:length], dtype=np.float64)
    y = np.asarray(master[max(0, late) :][:length], dtype=np.float64)
    like = explained(x, y)
    at = stretches(x)
    reference, heard = [like[s] for s in at], [y[s] for s in at]
    lufs = loudness_lufs(heard)
    gain = 10.0 ** ((lufs - loudness_lufs(reference)) / 20.0)
    reference = [r * gain for r in reference]
    left = loudness_lufs(reference) - lufs
    if abs(left) > LEVEL_WITHIN_LU:
        raise ValueError(f"reference and master differ by {left:.3f} LU, allowed are {LEVEL_WITHIN_LU:g}")
    return Pair(reference=reference, master=heard, lufs=lufs)
