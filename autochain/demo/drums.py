"""Struck things without pitch, or nearly: one hit each, peak 1."""

import numpy as np
from scipy.special import jn_zeros

from autochain.demo.tones import (
    NoteSamples,
    decay,
    decaying_partials,
    envelope,
    filtered_note,
    frames,
    moving_phase,
    to_peak,
)


def _noise(count: int, rng: np.random.Generator, rate_hz: int) -> NoteSamples:
    """White noise whose density per hertz does not depend on the sample rate."""
    return np.asarray(rng.standard_normal(count) * np.sqrt(rate_hz / 44100.0))


def kick(
    rate_hz: int, rng: np.random.Generator, *, low_hz: float, sweep_hz: float, decay_s: float, click: float
) -> NoteSamples:
    """Kick: a sine that falls from `low_hz + sweep_hz` to `low_hz`, pressed softly, and a short click."""
    count = frames(min(0.6, decay_s * 1.1), rate_hz)
    time_s = np.arange(count) / rate_hz
    f_hz = low_hz + sweep_hz * np.exp(-time_s / 0.022)
    body = np.sin(2.0 * np.pi * moving_phase(f_hz, rate_hz)) * decay(count, rate_hz, decay_s)
    body = np.tanh(1.6 * body)
    beater = filtered_note(_noise(count, rng, rate_hz), rate_hz, "bandpass", (1500.0, 6000.0))
    wave = body + click * beater * decay(count, rate_hz, 0.03)
    return to_peak(wave * envelope(count, rate_hz, 0.001, 0.05))


def snare(rate_hz: int, rng: np.random.Generator, *, tune_hz: float, wires: float, decay_s: float) -> NoteSamples:
    """Snare: two drumhead modes and the wires' noise, pressed softly as a drum track would be."""
    count = frames(decay_s * 1.2, rate_hz)
    body = decaying_partials(
        [tune_hz, tune_hz * 1.78, tune_hz * 2.6], [1.0, 0.6, 0.25], [decay_s * 0.7, decay_s * 0.5, 0.1], count, rate_hz
    )
    hiss = filtered_note(_noise(count, rng, rate_hz), rate_hz, "bandpass", (900.0, 10000.0), 1)
    wave = body + wires * hiss * (0.7 * decay(count, rate_hz, decay_s) + 0.6 * decay(count, rate_hz, 0.06))
    return to_peak(np.tanh(1.3 * wave) * envelope(count, rate_hz, 0.001, 0.04))


def hat(rate_hz: int, rng: np.random.Generator, *, decay_s: float) -> NoteSamples:
    """Hi-hat: bright noise that dies quickly."""
    count = frames(decay_s * 1.1, rate_hz)
    wave = filtered_note(_noise(count, rng, rate_hz), rate_hz, "bandpass", (4500.0, 14000.0))
    return to_peak(wave * decay(count, rate_hz, decay_s) * envelope(count, rate_hz, 0.001, 0.01))


def crash(rate_hz: int, rng: np.random.Generator, *, decay_s: float) -> NoteSamples:
    """Cymbal, two microphones: the lower band rings longer than the top. Shape (frames, 2)."""
    count = frames(decay_s, rate_hz)
    noise = rng.standard_normal((count, 2))
    low = filtered_note(noise, rate_hz, "bandpass", (900.0, 5000.0), 1) * decay(count, rate_hz, decay_s)[:, None]
    high = filtered_note(noise, rate_hz, "bandpass", (5000.0, 13000.0), 1)
    high *= decay(count, rate_hz, decay_s * 0.6)[:, None]
    return to_peak((0.6 * low + high) * envelope(count, rate_hz, 0.003, 0.2)[:, None])


def clap(rate_hz: int, rng: np.random.Generator) -> NoteSamples:
    """Hand clap, two microphones: three quick bursts and a short tail. Shape (frames, 2)."""
    count = frames(0.3, rate_hz)
    noise = rng.standard_normal((count, 2)) * 0.5 + rng.standard_normal((count, 1))
    shape = 0.5 * decay(count, rate_hz, 0.28)
    for burst, level in ((0.0, 0.8), (0.011, 0.7), (0.023, 1.0)):
        start = frames(burst, rate_hz)
        shape[start:] += level * decay(count - start, rate_hz, 0.03)
    wave = filtered_note(noise, rate_hz, "bandpass", (700.0, 6000.0), 1) * shape[:, None]
    return to_peak(np.tanh(0.5 * wave) * envelope(count, rate_hz, 0.001, 0.05)[:, None])


def shaker(rate_hz: int, rng: np.random.Generator) -> NoteSamples:
    """Shaker: noise that swells for 25 ms, then dies."""
    count = frames(0.12, rate_hz)
    wave = filtered_note(_noise(count, rng, rate_hz), rate_hz, "bandpass", (3500.0, 10000.0))
    return to_peak(wave * decay(count, rate_hz, 0.2) * envelope(count, rate_hz, 0.025, 0.05))


def brush(rate_hz: int, rng: np.random.Generator) -> NoteSamples:
    """Brush on a snare: a soft stroke, mostly noise."""
    count = frames(0.22, rate_hz)
    wave = filtered_note(_noise(count, rng, rate_hz), rate_hz, "bandpass", (600.0, 9000.0), 1)
    body = decaying_partials([190.0, 330.0], [0.8, 0.4], [0.15, 0.1], count, rate_hz)
    return to_peak((wave * decay(count, rate_hz, 0.22) + body) * envelope(count, rate_hz, 0.006, 0.05))


def frame_drum(rate_hz: int, rng: np.random.Generator, *, low_hz: float) -> NoteSamples:
    """Frame drum struck by hand: the modes of an ideal membrane and a little skin noise.

    Mode frequencies are in the ratio of the zeros of the Bessel functions J0, J1, J2, J3 (Rayleigh 1877, *The
    Theory of Sound*, vol. 1, ch. IX).
    """
    count = frames(0.7, rate_hz)
    zeros = np.sort(np.concatenate([jn_zeros(order, 2) for order in range(4)]))
    f_hz = low_hz * zeros / zeros[0]
    wave = decaying_partials(f_hz, 1.0 / np.arange(1, 9), 0.7 / np.arange(1, 9) ** 0.6, count, rate_hz)
    skin = filtered_note(_noise(count, rng, rate_hz), rate_hz, "bandpass", (400.0, 4000.0), 1)
    return to_peak((wave + 0.5 * skin * decay(count, rate_hz, 0.05)) * envelope(count, rate_hz, 0.0015, 0.1))
