"""How little a clipper could add over the mask if it knew every frame: a mark to hold dialled settings against.

Perception-based clipping (B. Defraene, T. van Waterschoot, H. J. Ferreau, M. Diehl, M. Moonen, IEEE TASLP 20(10), 2012,
2657): per frame x of N samples

    min over y of 1/(2N) sum_k w[k] |Y[k] - X[k]|^2   subject to   -U <= y[n] <= U,

which is convex. Solved by projected gradient with momentum, g = y - 1/L ifft(w fft(y - x)), theta' = clip(g, -U, U),
y = theta' + beta (theta' - theta), L = max w; beta by the constant-step scheme of Y. Nesterov (Introductory Lectures on
Convex Optimization, 2004, 2.2.9, from memory), which knows mu = min w. It is not monotone, so the best iterate is kept.

What is ours: w is one over the mask of the package's own ear model, bin by bin, so that the sum is the noise-to-mask
ratio that the score prices; the weakest weight is 40 dB under the strongest. Frames of 512 samples, 128 of them
cross-faded; two frames that both obey U obey it when faded. U is a sample peak, so it is lowered in those frames where
a true-peak meter reads over.

The gain stands still here, and only noise over mask is minimised: neither crest nor punch. A limiter moves the gain,
and what moves slowly is no noise to the ear model, so a limiter can end under this mark. Offline, benchmarks only.
"""

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import scipy.fft
import scipy.optimize
import scipy.signal

from autochain.audio.mix import Samples
from autochain.measure.ear_model import (
    HIGHEST_BAND_HZ,
    MaskingModel,
    ear_weight,
    full_scale_sine_db_spl,
    group_bins,
    make_bands,
    window_samples,
)
from autochain.measure.loudness import integrated_lufs, weighted_hops
from autochain.measure.true_peak import read_true_peak
from autochain.units import db_to_linear

FRAME, FADE = 512, 128
STEP = FRAME - FADE
LEAST_WEIGHT = 1e-4
ITERATIONS = 60
_CHECKED_EVERY = 10
_ROUNDS = 20
_SLOPE = 0.7  # LU per dB, to begin with
WITHIN_LU = 0.03
# Points a sample where peaks are looked for, what is taken for the ceiling there, and how firmly a box is lowered: the
# next solve puts peaks elsewhere.
_BETWEEN, _NEARLY, _FIRMLY = 8, 0.99, 1.7

_Floats = npt.NDArray[np.floating]


def clipped_frames(
    x: _Floats, weights: _Floats, top: _Floats, iterations: int, start: _Floats | None = None
) -> _Floats:
    """Solve all frames at once.

    Parameters
    ----------
    x
        Shape (frames, samples).
    weights
        Shape (frames, samples // 2 + 1), > 0.
    top
        U, shape (frames,).
    iterations
        Gradient steps.
    start
        Where to start; x when None.
    """
    size, top = x.shape[1], top[:, None].astype(x.dtype)
    most = weights.max(axis=1, keepdims=True)
    w = (weights / most).astype(x.dtype)
    q = w.min(axis=1, keepdims=True)
    theta = np.clip(x if start is None else start, -top, top)
    y, alpha = theta.copy(), np.ones_like(q)
    best, least = theta.copy(), cost_of(theta, x, w)
    for step in range(1, iterations + 1):
        now = np.clip(y - scipy.fft.irfft(w * scipy.fft.rfft(y - x), size), -top, top)
        # alpha'^2 = (1 - alpha') alpha^2 + q alpha'
        half = 0.5 * (q - alpha**2)
        following = half + np.sqrt(half**2 + alpha**2)
        y = now + (alpha * (1.0 - alpha) / (alpha**2 + following)) * (now - theta)
        theta, alpha = now, following
        if step % _CHECKED_EVERY == 0 or step == iterations:
            cost = cost_of(theta, x, w)
            better = cost < least
            best[better], least[better] = theta[better], cost[better]
    return best


def cost_of(y: _Floats, x: _Floats, weights: _Floats) -> _Floats:
    """What is minimised, per frame."""
    size = x.shape[1]
    power = np.square(np.abs(scipy.fft.rfft(y - x)))
    power[:, 1 : (size + 1) // 2] *= 2.0  # bins that stand for two
    return np.asarray((weights * power).sum(axis=1) / (2.0 * size))


def check_solver(size: int = 32, tolerance: float = 1e-3) -> float:
    """Excess over the optimum that scipy's bounded solver finds, on small problems; AssertionError above 0.1 %."""
    rng = np.random.default_rng(1)
    worst = 0.0
    for spread_db in (10.0, 20.0, 40.0):
        x = rng.standard_normal((1, size))
        w = 10.0 ** (-spread_db / 10.0 * rng.random((1, size // 2 + 1)))
        top = np.array([0.6])
        exact = scipy.optimize.minimize(  # type: ignore[call-overload]
            lambda y, x=x, w=w: (
                float(cost_of(y[None], x, w)[0]), scipy.fft.irfft(w * scipy.fft.rfft(y[None] - x), size)[0]
            ),
            np.clip(x[0], -0.6, 0.6), jac=True, method="L-BFGS-B", bounds=[(-0.6, 0.6)] * size,
            options={"ftol": 1e-15, "gtol": 1e-10, "maxiter": 5000},
        )  # fmt: skip
        found = clipped_frames(x, w, top, 400)
        assert np.abs(found).max() <= 0.6
        hard = float(cost_of(np.clip(x, -0.6, 0.6), x, w)[0])
        assert exact.fun < hard  # there is something to gain over a hard clip
        worst = max(worst, float(cost_of(found, x, w)[0]) / exact.fun - 1.0)
    assert worst < tolerance, f"{worst:.2e} over the optimum"
    return worst


@dataclass(slots=True)
class BoundClipper:
    """Clips one sound at any gain; its masks are taken once.

    Parameters
    ----------
    samples
        The sound before any gain, shape (frames, channels).
    rate_hz
        Sample rate.
    lufs
        Its loudness, which stands for 83 dB SPL.
    """

    samples: Samples
    rate_hz: int
    lufs: float
    _blocks: _Floats = field(init=False)
    _weights: _Floats = field(init=False)

    def __post_init__(self) -> None:
        length, channels = self.samples.shape
        count = -(-(length + FADE) // STEP)
        window = window_samples(self.rate_hz)
        # Frames of the ear model lie around those of the clipper.
        side = (window - FRAME) // 2
        before, after = FADE + side, count * STEP + FADE + side - length
        padded = np.pad(self.samples.astype(np.float32), ((before, after), (0, 0)))
        wide = np.lib.stride_tricks.sliding_window_view(padded, window, axis=0)[::STEP][:count]
        self._blocks = np.ascontiguousarray(wide[..., side : side + FRAME].transpose(1, 0, 2))
        bands, sine = make_bands(), full_scale_sine_db_spl(self.lufs, channels)
        groups = group_bins(bands, self.rate_hz / window, ear_weight(self.rate_hz, sine))
        own = group_bins(bands, self.rate_hz / FRAME, ear_weight(self.rate_hz, sine, FRAME))
        share = np.zeros((FRAME // 2 + 1, bands.centre_hz.size))
        for band, first in enumerate(own.first_bin):
            entries = own.weight[own.start[band] : own.start[band + 1]]
            share[first : first + entries.size, band] = entries
        hann = np.hanning(window)
        weights = []
        for channel in range(channels):
            power = np.square(np.abs(scipy.fft.rfft(wide[:, channel] * hann)))
            energy = np.stack(
                [
                    power[:, f : f + groups.start[b + 1] - groups.start[b]]
                    @ groups.weight[groups.start[b] : groups.start[b + 1]]
                    for b, f in enumerate(groups.first_bin)
                ]
            )
            weights.append((share @ MaskingModel(bands, STEP / self.rate_hz).inverse_mask(energy)).T)
        found = np.stack(weights)
        above = int(HIGHEST_BAND_HZ / self.rate_hz * FRAME)  # what is over the highest band is not free
        found[..., above:] = found[..., above - 1 : above]
        self._weights = np.maximum(found, LEAST_WEIGHT * found.max(axis=2, keepdims=True)).astype(np.float32)

    def at(self, lufs: float, ceiling_dbtp: float, iterations: int = ITERATIONS) -> Samples:
        """The sound at a loudness under a ceiling.

        Gain, box and solution are improved in turns, each solve starting from the last.
        """
        channels, count, _ = self._blocks.shape
        ceiling = db_to_linear(ceiling_dbtp)
        top = np.full((channels, count), ceiling, np.float32)
        gain_db, slope, last = lufs - self.lufs + 1.0, _SLOPE, None
        start: _Floats | None = None
        for turn in range(_ROUNDS):
            x = self._blocks * np.float32(db_to_linear(gain_db))
            theta = x.copy()
            busy = np.abs(x).max(axis=2) > top
            theta[busy] = clipped_frames(
                x[busy], self._weights[busy], top[busy], iterations, None if start is None else start[busy]
            )
            y = self._joined(theta)
            found = integrated_lufs(weighted_hops(y, self.rate_hz))
            assert found is not None
            highest = read_true_peak(y, self.rate_hz).highest_dbtp
            assert highest is not None
            if highest <= ceiling_dbtp and abs(found - lufs) <= WITHIN_LU and turn >= 3:
                return y
            if last is not None and abs(gain_db - last[0]) > 0.05:
                slope = min(1.2, max(0.2, (found - last[1]) / (gain_db - last[0])))
            last, start = (gain_db, found), theta
            top = self._lowered(top, y, ceiling, highest - ceiling_dbtp)
            more_db = (lufs - found) / slope
            start = start * np.float32(db_to_linear(more_db))
            gain_db += more_db
        raise ValueError(f"{lufs:g} LUFS under {ceiling_dbtp:g} dBTP was not reached in {_ROUNDS} rounds")

    def _lowered(self, top: _Floats, y: Samples, ceiling: float, excess_db: float) -> _Floats:
        """Boxes lowered where the waveform between the samples stands over, by that and a little more."""
        if excess_db <= 0.0:
            return top
        hop = self.rate_hz // 100
        between = np.abs(scipy.signal.resample_poly(y, _BETWEEN, 1, axis=0)).max(axis=1)
        peaks = between[: len(between) // (hop * _BETWEEN) * hop * _BETWEEN].reshape(-1, hop * _BETWEEN).max(axis=1)
        peaks *= max(1.0, ceiling * db_to_linear(excess_db) / peaks.max())  # meters read higher near half the rate
        places = np.flatnonzero(peaks > ceiling * _NEARLY)
        lowered = top.copy()
        for place in places:
            frames = slice(max(0, (place * hop + FADE - FRAME - 8) // STEP), ((place + 1) * hop + FADE + 8) // STEP + 1)
            lowered[:, frames] = np.minimum(
                lowered[:, frames], top[:, frames] * np.float32((_NEARLY * ceiling / peaks[place]) ** _FIRMLY)
            )
        return lowered

    def _joined(self, blocks: _Floats) -> Samples:
        """Cross-fade frames."""
        channels, count, _ = blocks.shape
        fade = np.ones(FRAME, np.float32)
        fade[:FADE] = (np.arange(FADE, dtype=np.float32) + 0.5) / FADE
        fade[-FADE:] = fade[FADE - 1 :: -1]
        out = np.zeros((channels, (count + 1) * STEP), np.float32)
        faded = blocks * fade
        out[:, : count * STEP].reshape(channels, count, STEP)[:] += faded[..., :STEP]
        out[:, STEP:][:, : count * STEP].reshape(channels, count, STEP)[..., :FADE] += faded[..., STEP:]
        return np.ascontiguousarray(out[:, FADE : FADE + len(self.samples)].T)
