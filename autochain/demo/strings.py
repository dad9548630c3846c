"""Strings: plucked, driven through an amplifier, hammered, and the bass."""

from collections.abc import Sequence

import numpy as np
from scipy.signal import resample_poly

from autochain.demo.tones import (
    NoteSamples,
    brighter,
    cycle,
    decay,
    decaying_partials,
    envelope,
    filtered_note,
    frames,
    harmonic_count,
    midi_hz,
    read_cycle,
    steady_phase,
    to_rms,
)


def plucked(
    midi: float, length_s: float, rate_hz: int, rng: np.random.Generator, *, ring_s: float, brightness: float
) -> NoteSamples:
    """Plucked string: harmonics of an ideal string, the higher the sooner gone.

    A string plucked at the fraction p of its length has harmonics k with weight sin(k pi p) / k^2 in
    displacement (Rayleigh 1877, *The Theory of Sound*, vol. 1, ch. VI) and 1 / k in the velocity that is heard.
    Losses that grow with frequency are those of the plucked-string loop of Karplus and Strong (1983); made
    here from partials, because a loop's losses change with the sample rate.
    """
    count = frames(length_s, rate_hz)
    f0 = midi_hz(midi)
    k = np.arange(1, min(70, harmonic_count(f0)) + 1)
    point = 0.18 + 0.04 * rng.random()
    weights = np.sin(np.pi * k * point) / k ** (1.2 - 0.3 * brightness)
    ring = ring_s / (1.0 + (k * f0 / (3000.0 * brightness)) ** 1.3) * (150.0 / f0) ** 0.3
    # The body scatters the phases, so that the partials do not all start in step.
    scatter = rng.uniform(0.0, 2.0 * np.pi, k.size)
    wave = decaying_partials(k * f0, weights, ring, count, rate_hz, scatter)
    nail = filtered_note(rng.standard_normal(count), rate_hz, "bandpass", (1500.0, 9000.0), 1)
    wave = to_rms(wave, rate_hz, 0.3) + 0.25 * brightness * nail * decay(count, rate_hz, 0.012)
    wave = brighter(wave, rate_hz, 6.0)
    return to_rms(wave * envelope(count, rate_hz, 0.0015, 0.06), rate_hz, 0.3)


def driven_chord(
    midis: Sequence[float], length_s: float, rate_hz: int, rng: np.random.Generator, *, drive: float, muted: bool
) -> NoteSamples:
    """Electric guitar chord through an overdriven amplifier and a loudspeaker that passes 80 to 4500 Hz.

    The saturation runs at twice the sample rate and the loudspeaker filter takes what would fold back.
    """
    count = frames(length_s, rate_hz)
    strings = np.zeros(count)
    for number, midi in enumerate(midis):
        start = frames(0.004 * number, rate_hz)
        tuned = midi + rng.normal(0.0, 0.04)
        ring_s = 0.7 if muted else 6.0
        note = plucked(tuned, (count - start) / rate_hz, rate_hz, rng, ring_s=ring_s, brightness=0.5 if muted else 1.0)
        strings[start:] += note[: count - start]
    strings /= np.sqrt(len(midis))
    factor = 2 if rate_hz < 88200 else 1
    wave = resample_poly(np.tanh(drive * resample_poly(strings, factor, 1)), 1, factor)[:count]
    wave = filtered_note(wave, rate_hz, "highpass", 85.0)
    wave = filtered_note(wave, rate_hz, "lowpass", 3500.0 if muted else 5000.0)
    wave = brighter(wave + 0.8 * filtered_note(wave, rate_hz, "bandpass", (1800.0, 4500.0), 1), rate_hz, 3.0)
    return to_rms(wave * envelope(count, rate_hz, 0.002, 0.03), rate_hz, min(length_s, 0.4))


def bass_string(midi: float, length_s: float, rate_hz: int, *, pressed: float = 0.8) -> NoteSamples:
    """Bass guitar: a saw-like string, darker as it rings, pressed softly so that it holds its level."""
    count = frames(length_s, rate_hz)
    f0 = midi_hz(midi)
    k = np.arange(1, min(40, harmonic_count(f0)) + 1)
    phase = steady_phase(f0, count, rate_hz)
    bright = read_cycle(cycle(np.sin(0.22 * np.pi * k) / k**1.1 / (1 + (k * f0 / 3000.0) ** 2)), phase)
    dark = read_cycle(cycle(1.0 / k**1.9 / (1 + (k * f0 / 700.0) ** 2)), phase)
    mix = decay(count, rate_hz, 0.9)
    wave = bright * mix + dark * (1.0 - mix)
    wave = np.tanh(pressed * wave * (0.6 + 0.4 * decay(count, rate_hz, 2.5)))
    return to_rms(wave * envelope(count, rate_hz, 0.004, 0.04), rate_hz, length_s)


def hammered(midi: float, length_s: float, rate_hz: int, rng: np.random.Generator) -> NoteSamples:
    """Piano note: stiff-string partials on two strings a little apart, and the hammer's knock.

    Partial n of a stiff string lies at n f0 sqrt(1 + B n^2) (Fletcher, Blackham and Stratton 1962, *Quality of
    piano tones*); B grows from about 1e-4 in the bass to 1e-3 two octaves above middle C.
    """
    count = frames(length_s, rate_hz)
    f0 = midi_hz(midi)
    n = np.arange(1, min(45, harmonic_count(f0)) + 1)
    stiffness = 1e-4 * 2.0 ** max(0.0, (midi - 45.0) / 12.0)
    f_hz = n * f0 * np.sqrt(1.0 + stiffness * n**2)
    # Hammers fall near an eighth of the string and are soft: both thin out the upper partials.
    weights = (np.abs(np.sin(np.pi * n / 8.3)) + 0.1) / n**0.7 / (1.0 + (f_hz / 4500.0) ** 2)
    ring = 9.0 * 2.0 ** (-(midi - 45.0) / 18.0) / (1.0 + f_hz / 2500.0)
    detune = 1.0 + 0.0004 * (1.0 + rng.random())
    wave = decaying_partials(
        np.concatenate([f_hz, f_hz * detune]),
        np.concatenate([weights, 0.8 * weights]),
        np.concatenate([ring, ring * 0.45]),
        count,
        rate_hz,
        rng.uniform(0.0, 2.0 * np.pi, 2 * n.size),  # the soundboard scatters the phases
    )
    knock = filtered_note(rng.standard_normal(count), rate_hz, "bandpass", (150.0, 5000.0), 1)
    wave = to_rms(wave, rate_hz, 0.4) + 0.12 * knock * decay(count, rate_hz, 0.05)
    wave = brighter(wave, rate_hz, 9.0)
    return to_rms(wave * envelope(count, rate_hz, 0.003, 0.12), rate_hz, 0.4)
