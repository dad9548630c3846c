"""How much later a master is than its mix, to a fraction of a sample, whatever was done to it in between.

In three steps, each looking closer than the one before:

1. Generalised cross-correlation of the whole sounds at about 5.5 kHz (C. H. Knapp and G. C. Carter, IEEE
   Trans. ASSP 24 (1976)), the cross spectrum divided by its own magnitude to the power 0.8, so that neither an
   equaliser nor the bass decides. The envelope of the analytic correlation is searched: its peak stays where it
   is when the polarity is turned or the phase rotated. Both ways of pairing the channels are tried.
2. The same on averaged spectra at the full rate, until the peak stands at the sample.
3. The delay is read from the phase of the averaged cross spectrum (`phase_slope`), which tells it from an
   equaliser's phase, a constant rotation and an all-pass in the bass.

The delay is thus that of the direct sound, not of an equaliser's or all-pass's group delay.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import scipy.fft

from autochain.audio.mix import Samples
from autochain.errors import AutochainError
from autochain.measure.cross_spectra import Complexes, CrossSpectra, cross_spectra
from autochain.measure.phase_slope import PhaseSlope, coherence, fit_phase_slope

SHORTEST_S = 1.0  # shorter sounds hold too few windows
_MAX_DELAY_S = 10.0

_COARSE_HZ = 5500
_STRETCH_S = 720.0  # correlated at once: more takes memory and tells no more. a limit of this project
_WHITENING = 0.8
_WINDOW_S = 0.372  # 16384 samples at 44.1 kHz
_WINDOWS = 192
_LEAST_WINDOWS = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class Alignment:
    """Where a master lies against its mix.

    Attributes
    ----------
    delay_samples
        The master is so much later than the mix; negative when it is earlier.
    polarity
        +1, or -1 when the master is turned over; with a rotation, the sign that leaves 90 degrees or less.
    rotation_deg
        Constant phase rotation beyond the polarity, -90 to 90.
    swapped
        True when the master's left is the mix's right. Two equal channels cannot tell and read False.
    confidence
        Coherence of the two in step, 0 to 1, each frequency weighted by its amplitude: about 0 for unrelated
        sounds, near 1 for a linear change, lower the more was added.
    channel_delay_samples, channel_polarity
        The same per channel of the master; None for a channel that is silent on either side.
    """

    delay_samples: float
    polarity: int
    rotation_deg: float
    swapped: bool
    confidence: float
    channel_delay_samples: tuple[float | None, ...]
    channel_polarity: tuple[int | None, ...]


def align(mix: Samples, master: Samples, rate_hz: int, max_delay_s: float = _MAX_DELAY_S) -> Alignment:
    """Find the delay, polarity and channel order of a master against its mix.

    Parameters
    ----------
    mix, master
        Shape (frames, channels) each, any two lengths of at least 1 s, the same number of channels.
    rate_hz
        Sample rate of both.
    max_delay_s
        Furthest delay looked for, either way.

    Returns
    -------
    Alignment
        Also for unrelated sounds: look at its `confidence`.

    Raises
    ------
    AutochainError
        When a sound is shorter than 1 s or silent, or the channels differ in number.
    """
    for name, sound in (("mix", mix), ("master", master)):
        if sound.shape[0] < SHORTEST_S * rate_hz:
            raise AutochainError(
                f"the {name} lasts {sound.shape[0] / rate_hz:.2f} s; aligning needs {SHORTEST_S:g} s or more. "
                "Give a longer stretch."
            )
        if not sound.any():
            raise AutochainError(f"the {name} is silent; nothing can be aligned with it. Give another file.")
    if mix.shape[1] != master.shape[1]:
        raise AutochainError(
            f"the mix has {mix.shape[1]} channels, the master {master.shape[1]}; aligning needs the same number. "
            "Repeat a mono channel first."
        )
    delay, swapped = _coarse(mix, master, rate_hz, max_delay_s)
    master = master[:, ::-1] if swapped else master
    for _ in range(4):
        x, y = in_step(mix, master, delay)
        if x.shape[0] < 0.5 * SHORTEST_S * rate_hz:
            raise AutochainError(
                f"mix and master have only {x.shape[0] / rate_hz:.2f} s in common; aligning needs "
                f"{0.5 * SHORTEST_S:g} s. Check that both are the same song, or give longer stretches of the same part."
            )
        window = _window_samples(x.shape[0], rate_hz)
        spectra = cross_spectra(x, y, window, _WINDOWS)
        weighted = _weighted_phases(spectra)
        step = _peak(weighted, window)
        delay += step
        if step == 0:
            break
    return _fitted(spectra, weighted, rate_hz, delay - step, swapped)


def in_step(mix: Samples, master: Samples, delay_samples: int) -> tuple[Samples, Samples]:
    """Views of the stretches that correspond when the master is `delay_samples` later, equally long."""
    x, y = mix[max(0, -delay_samples) :], master[max(0, delay_samples) :]
    length = min(x.shape[0], y.shape[0])
    return x[:length], y[:length]


def _coarse(mix: Samples, master: Samples, rate_hz: int, max_delay_s: float) -> tuple[int, bool]:
    """Delay to within a few samples, and whether the channels are swapped."""
    factor = max(1, rate_hz // _COARSE_HZ)
    x, y = _decimated(mix, factor), _decimated(master, factor)
    longest = max(x.shape[0], y.shape[0])
    lags = min(int(max_delay_s * rate_hz / factor) + 1, longest - 1)
    stretch, least = round(_STRETCH_S * rate_hz / factor), 20.0 * factor / rate_hz
    envelopes = np.zeros((mix.shape[1], 2 * lags + 1), dtype=np.float32)
    for start in range(0, longest, stretch):
        late = y[max(0, start - lags) : start + stretch + lags]
        envelopes += _envelopes(_at(x, start, stretch, lags), late, lags, least)
    best = envelopes.max(axis=1)
    swapped = len(best) == 2 and bool(best[1] > 1.0001 * best[0])
    return (int(np.argmax(envelopes[int(swapped)])) - lags) * factor, swapped


def _at(x: npt.NDArray[np.float32], start: int, stretch: int, lags: int) -> npt.NDArray[np.float32]:
    """A stretch with silence for the lags before it, so that it begins where what it is held against does."""
    return np.pad(x[start : start + stretch], ((start - max(0, start - lags), 0), (0, 0)))


def _envelopes(
    x: npt.NDArray[np.float32], y: npt.NDArray[np.float32], lags: int, least: float
) -> npt.NDArray[np.float32]:
    """Whitened correlation over the lags, its size, with the channels as they are and swapped; `least` in 1/samples."""
    size = scipy.fft.next_fast_len(max(x.shape[0], y.shape[0]) + lags, real=True)
    X, Y = (scipy.fft.rfft(sound, size, axis=0) for sound in (x, y))
    envelopes = []
    for order in ((0, 1), (1, 0)) if x.shape[1] == 2 else ((0,),):
        total = np.zeros(2 * lags + 1, dtype=np.float32)
        for i, j in enumerate(order):
            G = Y[:, i] * X[:, j].conj()
            magnitude = np.abs(G)
            G /= np.maximum(magnitude, 1e-12 * magnitude.max() + 1e-30) ** np.float32(_WHITENING)
            scale = magnitude.mean() ** (1.0 - _WHITENING) + 1e-30
            G[: int(least * size)] = 0.0  # no offset, no rumble
            correlation = scipy.fft.ifft(G / scale, size, overwrite_x=True)
            total += np.abs(np.concatenate([correlation[-lags:], correlation[: lags + 1]]))
        envelopes.append(total)
    return np.array(envelopes)


def _decimated(sound: Samples, factor: int) -> npt.NDArray[np.float32]:
    """Means of `factor` samples: a poor filter, but the same poor one on both sides."""
    length = sound.shape[0] // factor
    return np.asarray(
        sound[: length * factor].reshape(length, factor, sound.shape[1]).mean(axis=1), dtype=np.float32
    )


def _window_samples(frames: int, rate_hz: int) -> int:
    """Window of about 0.37 s, shorter when the sound is short; a power of two."""
    longest = min(_WINDOW_S * rate_hz, 2.0 * frames / (_LEAST_WINDOWS + 1))
    return int(2 ** np.floor(np.log2(longest * 1.001)))


def _weighted_phases(spectra: CrossSpectra) -> list[Complexes]:
    """Cross spectrum of each channel with its phase and its coherence as magnitude."""
    found = []
    for c in range(spectra.yy.shape[1]):
        cross = spectra.yx[:, c, c]
        C = coherence(spectra.xx[:, c, c].real, spectra.yy[:, c], cross, spectra.windows)
        found.append(cross / np.maximum(np.abs(cross), 1e-300) * C)
    return found


def _peak(weighted: list[Complexes], window: int) -> int:
    """Whole samples by which the channels' correlation still misses 0."""
    envelope = np.sum([np.abs(scipy.fft.ifft(G, window)) for G in weighted], axis=0)
    at = int(np.argmax(envelope))
    return at if at <= window // 2 else at - window


def _fitted(
    spectra: CrossSpectra, weighted: list[Complexes], rate_hz: int, delay: int, swapped: bool
) -> Alignment:
    """Step 3 on each channel and on both together."""
    channels = range(len(weighted))
    xx, yx = ([s[:, c, c] for c in channels] for s in (spectra.xx, spectra.yx))
    yy = [spectra.yy[:, c] for c in channels]
    fits = [fit_phase_slope(xx[c].real, yy[c], yx[c], spectra.windows, rate_hz) for c in channels]
    heard = [c for c in channels if fits[c] is not None]
    # Turned over against each other, the two channels would cancel: told apart by their phases, because a
    # rotation of about 90 degrees has no sign of its own.
    signs = dict.fromkeys(heard, 1)
    if len(heard) == 2:
        difference = fits[0].phase_rad - fits[1].phase_rad  # type: ignore[union-attr]
        signs[1] = 1 if np.cos(difference) >= 0.0 else -1
    both = None
    if heard:
        joint = np.sum([signs[c] * yx[c] for c in heard], axis=0)
        power = np.sum([xx[c].real for c in heard], axis=0), np.sum([yy[c] for c in heard], axis=0)
        both = fit_phase_slope(*power, joint, spectra.windows, rate_hz)
    if both is None:
        both = PhaseSlope(delay_samples=0.0, phase_rad=0.0)
    polarity = 1 if np.cos(both.phase_rad) >= -1e-3 else -1
    weights = [np.sqrt(np.sqrt(xx[c].real * yy[c])) for c in channels]
    coherent = sum(float(weights[c] @ np.abs(weighted[c])) for c in channels)
    return Alignment(
        delay_samples=delay + both.delay_samples,
        polarity=polarity,
        rotation_deg=float(np.rad2deg(np.angle(polarity * np.exp(1j * both.phase_rad)))),
        swapped=swapped,
        confidence=coherent / max(1e-300, sum(float(w.sum()) for w in weights)),
        channel_delay_samples=tuple(None if f is None else delay + f.delay_samples for f in fits),
        channel_polarity=tuple(signs[c] * polarity if c in signs else None for c in channels),
    )
