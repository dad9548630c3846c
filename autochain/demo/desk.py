"""The mixing desk: stems, sends, reverberation, and the level at which the mix is handed over."""

import numpy as np
from scipy.ndimage import minimum_filter1d, uniform_filter1d
from scipy.signal import butter, firwin, oaconvolve, sosfilt

from autochain.demo.form import part_rng
from autochain.demo.tones import Buffer, NoteSamples, decay, filtered_note, frames


class MixingDesk:
    """Stereo stems of equal length, filled note by note, and one send to the room.

    Attributes
    ----------
    stems
        By name, float32, shape (frames, 2).
    send
        What the room hears, float32, shape (frames,).
    """

    def __init__(self, rate_hz: int, count: int) -> None:
        self.rate_hz = rate_hz
        self.count = count
        self.stems: dict[str, Buffer] = {}
        self.send = np.zeros(count, dtype=np.float32)

    def stem(self, name: str) -> Buffer:
        """Stem of that name, silent when first asked for."""
        if name not in self.stems:
            self.stems[name] = np.zeros((self.count, 2), dtype=np.float32)
        return self.stems[name]

    def place(
        self, stem: str, note: Buffer, at_s: float, gain_db: float, *, pan: float = 0.0, send_db: float | None = None
    ) -> None:
        """Add a note to a stem; what reaches past the end is cut (the closing fade covers the cut).

        Parameters
        ----------
        stem
            Name of the stem.
        note
            Shape (frames,), panned with constant power, or (frames, 2), placed as it is.
        at_s
            Onset; a note asked for before the start begins at the start.
        gain_db
            Level.
        pan
            -1 left to +1 right, for one-channel notes.
        send_db
            Level to the room relative to the note, None for none.
        """
        first = max(0, round(at_s * self.rate_hz))
        length = min(note.shape[0], self.count - first)
        if length <= 0:
            return
        gain = np.float32(10.0 ** (gain_db / 20.0))
        part = note[:length] * gain
        target = self.stem(stem)[first : first + length]
        if part.ndim == 1:
            angle = (pan + 1.0) * np.pi / 4.0
            target[:, 0] += part * np.float32(np.cos(angle))
            target[:, 1] += part * np.float32(np.sin(angle))
        else:
            target += part
        if send_db is not None:
            mono = part if part.ndim == 1 else 0.5 * (part[:, 0] + part[:, 1])
            self.send[first : first + length] += mono * np.float32(10.0 ** (send_db / 20.0))


def duck(samples: Buffer, onsets_s: list[float], rate_hz: int, *, depth_db: float, recover_s: float) -> None:
    """Turn a stem down, in place, whenever the kick sounds: level keyed from another track."""
    length = frames(recover_s, rate_hz)
    time = np.arange(length) / length
    fall = np.clip(np.arange(length) / frames(0.004, rate_hz), 0.0, 1.0)
    shape = (10.0 ** (-depth_db / 20.0 * fall * (1.0 - time) ** 1.5)).astype(np.float32)
    for onset in onsets_s:
        first = max(0, round(onset * rate_hz))
        part = samples[first : first + length]
        part *= shape[: part.shape[0], None]


def press(samples: Buffer, knee: float) -> None:
    """Saturate a stem softly, in place: the identity up to `knee`, then bending towards twice that level.

    The curve is y = k + k tanh((|x| - k) / k) above the knee, continuous in value and slope.
    """
    loud = np.abs(samples) > knee
    if loud.any():
        x = samples[loud]
        samples[loud] = np.sign(x) * (knee + knee * np.tanh((np.abs(x) - knee) / knee))


def compress(samples: Buffer, rate_hz: int, *, threshold: float, ratio: float) -> None:
    """Compress one stem, in place: both channels together, 4 ms of look-ahead, held for 60 ms.

    The gain is computed once a millisecond from the peaks and drawn straight in between; a track's dynamics
    are slow enough for that. The stem keeps its rms, so the balance stays while the peaks come down.
    """
    block = rate_hz // 1000
    count = samples.shape[0] // block
    whole = samples[: count * block].reshape(count, block, 2)
    rest = samples[count * block :]
    level = np.maximum(whole.max(axis=(1, 2)), -whole.min(axis=(1, 2))).astype(np.float64)
    gain = np.ones(count)
    over = level > threshold
    gain[over] = (level[over] / threshold) ** (1.0 / ratio - 1.0)
    gain = minimum_filter1d(gain, 64, origin=28)  # reaches 3 blocks ahead and 60 back
    for _ in range(2):
        gain = uniform_filter1d(gain, 5)
    before = _rms(samples)
    edges = np.append(gain, gain[-1]).astype(np.float32)
    across = (np.arange(block) / block).astype(np.float32)
    whole *= (edges[:-1, None] + np.diff(edges)[:, None] * across)[:, :, None]
    rest *= edges[-1]
    after = _rms(samples)
    if after > 0.0:
        samples *= np.float32(before / after)


def _rms(samples: Buffer) -> float:
    flat = samples.reshape(-1)
    return float(np.sqrt(np.mean(np.square(flat), dtype=np.float64)))


def hold_together(name: str, samples: Buffer, rate_hz: int) -> None:
    """Take another decibel or two off the peaks of one stem, in place.

    Drums are saturated: their crest lies inside each hit, where a compressor that keeps the rms finds nothing.
    """
    peak = float(max(np.max(samples), -np.min(samples)))
    if name == "drums":
        press(samples, 0.45 * peak)
    else:
        compress(samples, rate_hz, threshold=0.7 * peak, ratio=2.5)


def room(send: Buffer, rate_hz: int, seed: int, decay_s: float) -> Buffer:
    """Reverberation of the send, shape (frames, 2): exponentially decaying noise, independent left and right.

    Noise with an exponential envelope as a room's response: Moorer (1979), *About this reverberation business*.
    Treble dies sooner than bass, nothing below 180 Hz comes back.
    """
    rng = part_rng(seed, "room")
    count = frames(decay_s, rate_hz)
    noise = rng.standard_normal((count, 2))
    bands = (
        ((180.0, 900.0), 1.0, 1.0),
        ((900.0, 3500.0), 0.8, 0.9),
        ((3500.0, 9000.0), 0.45, 0.7),
    )
    response: NoteSamples = np.zeros((count, 2))
    for edges, stretch, level in bands:
        band = filtered_note(noise, rate_hz, "bandpass", edges, 1)
        response += level * band * decay(count, rate_hz, decay_s * stretch)[:, None]
    onset = frames(0.006, rate_hz)
    response[:onset] *= (np.arange(onset) / onset)[:, None]
    response /= np.sqrt(np.sum(response**2, axis=0))
    delay = frames(0.018, rate_hz)
    wet = np.empty((send.size, 2), dtype=np.float32)
    for channel in (0, 1):
        tail = response[:, channel].astype(np.float32)
        wet[:delay, channel] = 0.0
        wet[delay:, channel] = oaconvolve(send, tail)[: send.size - delay]
    return wet


def band_limit(samples: Buffer, rate_hz: int) -> Buffer:
    """Keep 20 Hz to 17 kHz: no offset, nothing in the top where converters and codecs disagree."""
    sos = butter(2, 22.0, "highpass", fs=rate_hz, output="sos")
    taps = firwin(2 * round(127 * rate_hz / 44100) + 1, 17000.0, window=("kaiser", 8.0), fs=rate_hz)
    limited = np.empty_like(samples)
    for channel in range(samples.shape[1]):
        clean = sosfilt(sos, samples[:, channel].astype(np.float64)).astype(np.float32)
        limited[:, channel] = oaconvolve(clean, taps.astype(np.float32), mode="same")
    return limited

