"""Building blocks of every instrument: band-limited cycles, decaying partials, envelopes, filters.

Notes are float64, shape (frames,) for one microphone or (frames, 2) for two; 0 dB is an rms of 1 for
sustained notes and a peak of 1 for drums, so that the balance of the scenario means what it says.
"""

from collections.abc import Sequence
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.signal import butter, sosfilt

from autochain.demo._partials_kernels import add_partials

NoteSamples = npt.NDArray[np.float64]
Buffer = npt.NDArray[np.float32]

TOP_HZ = 16000.0  # no partial is made above this, whatever the sample rate
_TABLE = 8192


def midi_hz(midi: float) -> float:
    """Frequency of a MIDI note number, equal temperament, 69 = 440 Hz."""
    return float(440.0 * 2.0 ** ((midi - 69.0) / 12.0))


def frames(length_s: float, rate_hz: int) -> int:
    """Whole frames of a length in seconds, at least one."""
    return max(1, round(length_s * rate_hz))


def harmonic_count(f0_hz: float) -> int:
    """How many harmonics of `f0_hz` stay under TOP_HZ."""
    return max(1, int(TOP_HZ / f0_hz))


def cycle(amplitudes: npt.ArrayLike, phase_rad: float | NoteSamples = -np.pi / 2) -> NoteSamples:
    """One cycle of a periodic wave from the amplitudes of harmonics 1, 2, ...; shape (8193,), last = first.

    `phase_rad` is that of cosines: -pi/2 gives sines, 0 gives cosines in phase, whose crests all fall
    together on the positive side.
    """
    weights = np.asarray(amplitudes, dtype=np.float64)[: _TABLE // 2 - 1]
    spectrum = np.zeros(_TABLE // 2 + 1, dtype=np.complex128)
    spectrum[1 : 1 + weights.size] = weights * np.exp(1j * np.asarray(phase_rad)) * (_TABLE / 2)
    wave = np.fft.irfft(spectrum, _TABLE)
    return np.append(wave, wave[0])


def read_cycle(table: NoteSamples, phase_cycles: NoteSamples) -> NoteSamples:
    """Read a cycle at a running phase; the linear interpolation's images lie 70 dB and more under the tone."""
    position = (phase_cycles - np.floor(phase_cycles)) * _TABLE
    index = position.astype(np.intp)
    fraction = position - index
    low = table[index]
    return np.asarray(low + fraction * (table[np.minimum(index + 1, _TABLE)] - low))


def steady_phase(f_hz: float, count: int, rate_hz: int, start_cycles: float = 0.0) -> NoteSamples:
    """Phase in cycles of a tone of constant frequency."""
    return np.asarray(start_cycles + np.arange(count) * (f_hz / rate_hz))


def moving_phase(f_hz: NoteSamples, rate_hz: int, start_cycles: float = 0.0) -> NoteSamples:
    """Phase in cycles of a tone whose frequency moves."""
    return np.asarray(start_cycles + (np.cumsum(f_hz) - f_hz[0]) / rate_hz)


def decaying_partials(
    f_hz: npt.ArrayLike,
    amplitudes: npt.ArrayLike,
    decay_s: npt.ArrayLike,
    count: int,
    rate_hz: int,
    phase_rad: npt.ArrayLike = 0.0,
) -> NoteSamples:
    """Sum of sines that start together and die exponentially, each with its own 60 dB decay time and phase.

    Each partial is a complex power series, split into blocks: z^(B m + j) = (z^B)^m z^j.
    """
    f = np.asarray(f_hz, dtype=np.float64)
    keep = f < TOP_HZ
    a = np.asarray(amplitudes) * np.exp(1j * np.broadcast_to(phase_rad, f.shape))
    f, a, decay = f[keep], a[keep], np.asarray(decay_s)[keep]
    log_z = (-np.log(1000.0) / decay + 2j * np.pi * f) / rate_hz
    block = 512
    inside = np.exp(np.outer(log_z, np.arange(block)))
    # Partials that have fallen by 18 nepers (156 dB) are left out from there on.
    exponent = np.outer(np.arange(-(-count // block)) * block, log_z)
    starts = np.where(exponent.real > -18.0, np.exp(np.maximum(exponent.real, -18.0) + 1j * exponent.imag), 0.0) * a
    wave = np.zeros((starts.shape[0], block))
    add_partials(
        np.ascontiguousarray(starts.real),
        np.ascontiguousarray(starts.imag),
        np.ascontiguousarray(inside.real),
        np.ascontiguousarray(inside.imag),
        wave,
    )
    return wave.reshape(-1)[:count]


def envelope(count: int, rate_hz: int, attack_s: float, release_s: float) -> NoteSamples:
    """Raised-cosine attack and release around 1; both shrink if the note is shorter than their sum."""
    shape = np.ones(count)
    attack = min(frames(attack_s, rate_hz), count // 2)
    release = min(frames(release_s, rate_hz), count - attack)
    shape[:attack] = 0.5 - 0.5 * np.cos(np.pi * np.arange(attack) / max(1, attack))
    shape[count - release :] *= 0.5 + 0.5 * np.cos(np.pi * np.arange(1, release + 1) / max(1, release))
    return shape


def decay(count: int, rate_hz: int, decay_s: float) -> NoteSamples:
    """Exponential decay from 1, by 60 dB in `decay_s`."""
    return np.asarray(np.exp(-np.log(1000.0) / (decay_s * rate_hz) * np.arange(count)))


def filtered_note(
    note: NoteSamples,
    rate_hz: int,
    kind: Literal["lowpass", "highpass", "bandpass"],
    corner_hz: float | Sequence[float],
    order: int = 2,
) -> NoteSamples:
    """Butterworth filter along time."""
    return np.asarray(sosfilt(butter(order, corner_hz, kind, fs=rate_hz, output="sos"), note, axis=0))


def brighter(note: NoteSamples, rate_hz: int, gain_db: float, corner_hz: float = 2500.0) -> NoteSamples:
    """First-order high shelf: what is above `corner_hz` rises by `gain_db`."""
    above = filtered_note(note, rate_hz, "highpass", corner_hz, 1)
    return np.asarray(note + (10.0 ** (gain_db / 20.0) - 1.0) * above)


def to_rms(note: NoteSamples, rate_hz: int, over_s: float) -> NoteSamples:
    """Scale so that the first `over_s` seconds (without the softest onset) have an rms of 1."""
    part = note[: frames(over_s, rate_hz)]
    return np.asarray(note / np.sqrt(np.mean(part * part)))


def to_peak(note: NoteSamples) -> NoteSamples:
    """Scale to a peak of 1."""
    return np.asarray(note / np.max(np.abs(note)))


def kept(note: NoteSamples) -> Buffer:
    """Return the note in the precision of the stems, as it rests in a cache."""
    return note.astype(np.float32)


def wide(left: NoteSamples, right: NoteSamples, spread: float) -> Buffer:
    """Two takes on two sides; `spread` 1 puts each on its own side only."""
    lean = 0.5 * (1.0 - spread)
    return kept(np.stack([left + lean * right, right + lean * left], axis=1))
