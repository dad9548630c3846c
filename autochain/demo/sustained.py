"""Sounds that last as long as they are fed: saw layers, synthetic bass and lead, brass, a singing voice."""

from collections.abc import Sequence

import numpy as np
from scipy.signal import sosfilt

from autochain.demo.tones import (
    NoteSamples,
    brighter,
    cycle,
    decay,
    envelope,
    filtered_note,
    frames,
    harmonic_count,
    midi_hz,
    moving_phase,
    read_cycle,
    steady_phase,
    to_rms,
)

# Formant frequencies in Hz, first three after Peterson and Barney (1952), men's averages, from memory; the
# fourth and above are round figures of the same kind.
_VOWELS: tuple[tuple[float, ...], ...] = (
    (730.0, 1090.0, 2440.0, 3300.0, 4300.0, 5600.0, 7200.0),
    (530.0, 1840.0, 2480.0, 3300.0, 4300.0, 5600.0, 7200.0),
    (570.0, 840.0, 2410.0, 3300.0, 4300.0, 5600.0, 7200.0),
    (390.0, 1990.0, 2550.0, 3300.0, 4300.0, 5600.0, 7200.0),
)
_BANDWIDTHS_HZ = (90.0, 110.0, 140.0, 200.0, 300.0, 500.0, 700.0)
VOWELS = len(_VOWELS)


def saw_layer(
    midis: Sequence[float],
    length_s: float,
    rate_hz: int,
    rng: np.random.Generator,
    *,
    voices: int,
    detune_cents: float,
    corner_hz: float,
    attack_s: float,
    release_s: float = 0.08,
) -> NoteSamples:
    """Chord of detuned band-limited saws, different ones left and right. Shape (frames, 2).

    The spectrum is 1/k, bent down above `corner_hz` by 12 dB an octave.
    """
    count = frames(length_s, rate_hz)
    wave = np.zeros((count, 2))
    for midi in midis:
        f0 = midi_hz(midi)
        k = np.arange(1, harmonic_count(f0 * 1.01) + 1)
        table = cycle(1.0 / k / (1.0 + (k * f0 / corner_hz) ** 2))
        for voice in range(voices):
            cents = detune_cents * (2.0 * voice / max(1, voices - 1) - 1.0) + rng.normal(0.0, 1.0)
            for channel in (0, 1):
                f = f0 * 2.0 ** ((cents if channel else -cents) / 1200.0)
                wave[:, channel] += read_cycle(table, steady_phase(f, count, rate_hz, rng.random()))
    wave = brighter(wave, rate_hz, 6.0)
    return to_rms(wave * envelope(count, rate_hz, attack_s, release_s)[:, None], rate_hz, length_s)


def synth_bass(midi: float, length_s: float, rate_hz: int) -> NoteSamples:
    """Synthetic bass: a sine underneath, a saw on top whose brightness closes within the note."""
    count = frames(length_s, rate_hz)
    f0 = midi_hz(midi)
    k = np.arange(1, min(120, harmonic_count(f0)) + 1)
    phase = steady_phase(f0, count, rate_hz)
    bright = read_cycle(cycle(1.0 / k / (1.0 + (k * f0 / 1500.0) ** 2)), phase)
    dark = read_cycle(cycle(1.0 / k / (1.0 + (k * f0 / 250.0) ** 2)), phase)
    mix = decay(count, rate_hz, 0.5)
    wave = np.sin(2.0 * np.pi * phase) + 0.7 * (mix * bright + (1.0 - mix) * dark)
    return to_rms(np.tanh(0.9 * wave) * envelope(count, rate_hz, 0.004, 0.03), rate_hz, length_s)


def synth_pluck(midi: float, length_s: float, rate_hz: int, rng: np.random.Generator) -> NoteSamples:
    """Short bright synthetic note that closes quickly, two slightly different sides. Shape (frames, 2)."""
    count = frames(length_s, rate_hz)
    f0 = midi_hz(midi)
    k = np.arange(1, harmonic_count(f0 * 1.01) + 1)
    bright, dark = (cycle(1.0 / k / (1.0 + (k * f0 / corner) ** 2)) for corner in (8000.0, 900.0))
    mix = decay(count, rate_hz, 0.25)
    sides = []
    for cents in (-5.0, 5.0):
        phase = steady_phase(f0 * 2.0 ** (cents / 1200.0), count, rate_hz, rng.random())
        sides.append(mix * read_cycle(bright, phase) + (1.0 - mix) * read_cycle(dark, phase))
    shape = decay(count, rate_hz, 1.2) * envelope(count, rate_hz, 0.003, 0.04)
    return to_rms(np.stack(sides, axis=1) * shape[:, None], rate_hz, 0.2)


def _sung_pitch(
    midi: float, count: int, rate_hz: int, *, scoop: float, vibrato: float, hz: float, phase: float
) -> NoteSamples:
    """Frequency in Hz of a note that is reached from below and then swings; depths in semitones."""
    time_s = np.arange(count) / rate_hz
    swing = vibrato * np.clip((time_s - 0.15) / 0.35, 0.0, 1.0) * np.sin(2.0 * np.pi * (hz * time_s + phase))
    bend = swing - scoop * np.exp(-time_s / 0.035)
    return np.asarray(midi_hz(midi) * 2.0 ** (bend / 12.0))


def brass(
    midi: float, length_s: float, rate_hz: int, rng: np.random.Generator, *, force: float, dispersion: float
) -> NoteSamples:
    """Trumpet-like note: even and odd harmonics in cosine phase, so that one side of the wave stands taller.

    Blown harder it gets brighter, not only louder: the harmonics' slope follows the envelope. Cosines exactly
    in phase (`dispersion` 0) would stand 13 dB taller on one side, which no bell and room keep; 0.05 leaves 3 to
    5 dB, 0.2 almost nothing.
    """
    count = frames(length_s, rate_hz)
    f_hz = _sung_pitch(
        midi, count, rate_hz, scoop=0.5, vibrato=0.18 if length_s > 0.4 else 0.0, hz=5.2, phase=rng.random()
    )
    k = np.arange(1, harmonic_count(midi_hz(midi) * 1.03) + 1)
    f0 = midi_hz(midi)
    # The bell radiates best around 1.2 kHz; that hump is what makes the sound brass and not a reed.
    hump = 1.0 + 0.8 * np.exp(-0.5 * (np.log2(k * f0 / 1200.0) / 0.7) ** 2)
    phases: NoteSamples = np.asarray(dispersion * (k - 1.0) ** 2 * f0 / 300.0, dtype=np.float64)
    soft, hard = (cycle(hump * np.exp(-(k - 1) * f0 / slope), phases) for slope in (1000.0, 3000.0 * force))
    phase = moving_phase(f_hz, rate_hz)
    shape = envelope(count, rate_hz, 0.03, 0.07)
    blare = np.clip(shape * (0.75 + 0.25 * decay(count, rate_hz, 0.6)), 0.0, 1.0) ** 2
    wave = (blare * read_cycle(hard, phase) + (1.0 - blare) * read_cycle(soft, phase)) * shape
    return to_rms(wave, rate_hz, length_s)


def voice(midi: float, length_s: float, rate_hz: int, rng: np.random.Generator, *, vowel: int) -> NoteSamples:
    """Sung note: glottal pulses through formant resonators, some breath, a soft consonant at the front.

    The pulse is form B of Rosenberg (1971), 40 % opening and 16 % closing time, differentiated because lips
    radiate the change of the flow; only its harmonics below TOP_HZ are kept.
    """
    count = frames(length_s + 0.06, rate_hz)
    f_hz = _sung_pitch(midi, count, rate_hz, scoop=0.7, vibrato=0.3, hz=5.5, phase=rng.random())
    position = np.arange(4096) / 4096.0
    opening, closing = 0.40, 0.16
    rise = position / opening
    fall = (position - opening) / closing
    flow = np.where(position < opening, 3.0 * rise**2 - 2.0 * rise**3, np.where(fall < 1.0, 1.0 - fall**2, 0.0))
    k = np.arange(1, harmonic_count(midi_hz(midi) * 1.05) + 1)
    harmonics = np.fft.rfft(flow)[1 : k.size + 1] * 1j * k[: 2048]
    source = read_cycle(cycle(np.abs(harmonics), np.angle(harmonics).astype(np.float64)), moving_phase(f_hz, rate_hz))
    source = to_rms(source, rate_hz, length_s) + 0.04 * rng.standard_normal(count)

    wave = source
    for f, bandwidth in zip(_VOWELS[vowel % VOWELS], _BANDWIDTHS_HZ, strict=True):
        radius = np.exp(-np.pi * bandwidth / rate_hz)
        feedback = [1.0, -2.0 * radius * np.cos(2.0 * np.pi * f * 1.08 / rate_hz), radius**2]
        wave = np.asarray(sosfilt([[sum(feedback), 0.0, 0.0, *feedback]], wave))
    wave = brighter(wave, rate_hz, 9.0)
    wave = to_rms(wave * envelope(count, rate_hz, 0.05, 0.09), rate_hz, length_s)
    breath = filtered_note(rng.standard_normal(count), rate_hz, "bandpass", (4000.0, 10000.0), 1)
    return wave + breath * envelope(count, rate_hz, 0.02, 0.02) * (0.5 * decay(count, rate_hz, 0.15) + 0.02)
