"""Third judge: the 2f model, an estimated mean opinion (0 to 100) from two variables of an ear model.

T. Kastner, J. Herre, WASPAA 2019: `56.1345 / (1 + (-0.0282 m - 0.8628)^2) - 27.1451 b + 86.3515`, where m is the
average modulation difference and b the average distorted block of the basic version of ITU-R BS.1387-1 (its equations
54 to 65 and 73 to 78). With these variables it agreed best with listeners of twelve measures, on coded and on separated
music (M. Torcoli, T. Kastner, J. Herre, IEEE TASLP 2021, arXiv 2110.11438). Nobody has held it against listeners on
masters at equal loudness: only the order of masters of one mix means something.

Every step below names its place in BS.1387-1 (annex 2) as it is told in P. Kabal's report of 2002; bands by formula, as
the printed table has misprints. Written apart from the ear model of the score.
"""

import numpy as np

from judges.protocol import RATE_HZ, Floats, Pair

FRAME, STEP = 2048, 1024
SKIPPED_S = 0.5  # delayed averaging of the modulation difference
_BAND_BARK = 0.25
_LOW_HZ, _HIGH_HZ = 80.0, 18000.0
_SINE_HZ, _SINE_DB_SPL = 1019.5, 92.0  # what a sine of full scale stands for
_AUDIBLE_SUM, _AUDIBLE_RUN = 200.0 / 32768.0, 5  # where sound begins: so much in five samples together
_IDENTICAL = 118.5306  # what the formula gives without any difference


def _bark(hz: Floats | float) -> Floats:
    return np.asarray(7.0 * np.arcsinh(np.asarray(hz) / 650.0))


def _hz(bark: Floats) -> Floats:
    return np.asarray(650.0 * np.sinh(bark / 7.0))


_EDGES = np.append(np.arange(float(_bark(_LOW_HZ)), float(_bark(_HIGH_HZ)), _BAND_BARK), _bark(_HIGH_HZ))
BANDS = len(_EDGES) - 1
_CENTRE_HZ = _hz(0.5 * (_EDGES[:-1] + _EDGES[1:]))
_KHZ = np.arange(1, FRAME // 2 + 1) * RATE_HZ / FRAME / 1000.0
# Outer and middle ear, as a power.
_EAR = np.append(
    0.0, 10.0 ** ((-2.184 * _KHZ**-0.8 + 6.5 * np.exp(-0.6 * (_KHZ - 3.3) ** 2) - 0.001 * _KHZ**3.6) / 10.0)
)
_NOISE = 10.0 ** (0.1456 * (_CENTRE_HZ / 1000.0) ** -0.8)
_WINDOW = 0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(FRAME) / (FRAME - 1))


def _shares() -> Floats:
    """Share of every bin in every band, by overlap."""
    width = RATE_HZ / FRAME
    at = np.arange(FRAME // 2 + 1) * width
    low, high = _hz(_EDGES[:-1]), _hz(_EDGES[1:])
    common = np.minimum(high[:, None], at + 0.5 * width) - np.maximum(low[:, None], at - 0.5 * width)
    return np.asarray(np.maximum(common, 0.0) / width)


_SHARES = _shares()


def _scale() -> float:
    """Factor that makes a full-scale sine stand for its level, at the peak that its bin shows."""
    bins = _SINE_HZ / RATE_HZ * FRAME
    nearest = min(bins - np.floor(bins), np.ceil(bins) - bins) * (FRAME - 1) / FRAME
    peak = np.sin(np.pi * nearest) / (np.pi * nearest * (1.0 - nearest**2))
    return float(10.0 ** (_SINE_DB_SPL / 20.0) / (peak / 4.0 * (FRAME - 1)))


def _spread_raw(power: Floats) -> Floats:
    """Spreading over bands: 27 dB a Bark downwards; upwards 24 + 230/f less 0.2 dB for every dB of level."""
    place = np.arange(BANDS)
    down = 10.0 ** (-2.7 * _BAND_BARK)
    up = 10.0 ** ((-2.4 - 23.0 / _CENTRE_HZ) * _BAND_BARK) * power ** (0.2 * _BAND_BARK)
    whole = (1.0 - down ** (place + 1)) / (1.0 - down) + (1.0 - up ** (BANDS - place)) / (1.0 - up) - 1.0
    own, up = (power / whole) ** 0.4, up**0.4
    # Upwards a source fades by its own slope: carried from band to band for all sources at once would mix slopes,
    # so each source is carried alone.
    total = np.zeros_like(power)
    for source in place:
        reach = own[:, source, None] * up[:, source, None] ** np.arange(BANDS - source)
        total[:, source:] += reach
        if source:
            total[:, :source] += own[:, source, None] * (down**0.4) ** np.arange(source, 0, -1)
    return np.asarray(total**2.5)


_SPREAD_FLAT = _spread_raw(np.ones((1, BANDS)))


def _follow(values: Floats, tau_100_s: float) -> Floats:
    """One pole a band, along frames: 8 ms at the top, `tau_100_s` at 100 Hz."""
    tau = 0.008 + 100.0 / _CENTRE_HZ * (tau_100_s - 0.008)
    keep = np.exp(-STEP / (RATE_HZ * tau))
    out, state = np.empty_like(values), np.zeros(values.shape[1])
    for frame, value in enumerate(values):
        state = keep * state + (1.0 - keep) * value
        out[frame] = state
    return out


def _ear(samples: Floats) -> tuple[Floats, Floats, Floats]:
    """Excitation, loudness that follows, and modulation, each per frame and band."""
    frames = np.lib.stride_tricks.sliding_window_view(samples, FRAME)[::STEP]
    spectrum = np.fft.rfft(frames * _WINDOW) * _scale()
    power = np.maximum((np.square(np.abs(spectrum)) * _EAR) @ _SHARES.T, 1e-12) + _NOISE
    spread = _spread_raw(power) / _SPREAD_FLAT
    smeared = np.maximum(_follow(spread, 0.030), spread)
    loud = spread**0.3
    change = RATE_HZ / STEP * np.abs(np.diff(loud, axis=0, prepend=np.zeros((1, BANDS))))
    envelope = _follow(loud, 0.050)
    return smeared, envelope, _follow(change, 0.050) / (1.0 + envelope / 0.3)


def _bounds(reference: Floats) -> slice:
    """From where to where either channel can be heard."""
    run = np.lib.stride_tricks.sliding_window_view(np.abs(reference).max(axis=1), _AUDIBLE_RUN).sum(axis=1)
    heard = np.flatnonzero(run > _AUDIBLE_SUM)
    return slice(int(heard[0]), int(heard[-1]) + _AUDIBLE_RUN) if heard.size else slice(0, 0)


def variables(reference: Floats, master: Floats) -> tuple[float, float]:
    """Average modulation difference and average distorted block of one stretch, shape (samples, channels)."""
    part = _bounds(reference)
    x, y = reference[part], master[part]
    skipped = int(np.ceil(SKIPPED_S * RATE_HZ / STEP))
    if len(x) < FRAME + skipped * STEP:
        raise ValueError(f"{len(x) / RATE_HZ:.2f} s of sound are too short to judge")
    moved, chance, steps = [], None, None
    for one, other in zip(x.T, y.T, strict=True):
        heard, envelope, modulation = _ear(one)
        heard_too, _, modulation_too = _ear(other)
        difference = 100.0 * np.mean(np.abs(modulation_too - modulation) / (1.0 + modulation), axis=1)
        weight = np.sum(envelope / (envelope + 100.0 * _NOISE**0.3), axis=1)
        moved.append(np.average(difference[skipped:], weights=weight[skipped:]))
        was, now = 10.0 * np.log10(heard), 10.0 * np.log10(heard_too)
        error = was - now
        just = _just_noticed(0.3 * np.maximum(was, now) + 0.7 * now)
        p = 1.0 - 0.5 ** ((np.abs(error) / just) ** np.where(error > 0.0, 4.0, 6.0))
        q = np.abs(np.trunc(error)) / just
        chance = p if chance is None else np.maximum(chance, p)
        steps = q if steps is None else np.maximum(steps, q)
    assert chance is not None
    assert steps is not None
    noticed = 1.0 - np.prod(1.0 - chance, axis=1) > 0.5
    count, total = int(noticed.sum()), float(steps.sum(axis=1)[noticed].sum())
    # No block, or none with a whole step. The Recommendation's -0.5 for the latter would read better than no
    # difference at all.
    distorted = np.log10(total / count) if count and total > 0.0 else 0.0
    return float(np.mean(moved)), float(max(distorted, 0.0))


def _just_noticed(level_db: Floats) -> Floats:
    """Step of level that is noticed by half of the listeners, dB."""
    level = np.maximum(level_db, 1e-9)
    step = (
        5.95072 * (6.39468 / level) ** 1.71332 + 9.01033e-11 * level**4 + 5.05622e-6 * level**3
        - 0.00102438 * level**2 + 0.0550197 * level - 0.198719
    )  # fmt: skip
    return np.where(level_db > 0.0, step, 1e30)


def opinion(modulation_difference: float, distorted_block: float) -> float:
    """The formula alone, not cut to 0 to 100: what is cut can no longer be ranked."""
    return 56.1345 / (1.0 + (-0.0282 * modulation_difference - 0.8628) ** 2) - 27.1451 * distorted_block + 86.3515


def opinion_lost(heard: Pair) -> float:
    """Opinion lost against no difference at all, mean over stretches: 0 is the best."""
    both = [variables(x, y) for x, y in zip(heard.reference, heard.master, strict=True)]
    return _IDENTICAL - float(np.mean([opinion(*one) for one in both]))
