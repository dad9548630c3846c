"""Sound for the page: the same places of the mix and of what was made of it, equally loud, as FLAC.

Places are chosen to hold as many of the times to listen at as fit. Whatever is louder is turned down to the quietest,
which is the mix in practice; nothing is turned up.
"""

import base64
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import soundfile

from autochain.audio.dither import quantise
from autochain.audio.mix import Samples
from autochain.audio.resample import resampled
from autochain.chain.output import without_fades
from autochain.measure.loudness import integrated_lufs, weighted_hops
from autochain.search.result import Suggestion, Verified
from autochain.units import db_to_linear, linear_to_db

TOTAL_S = 20.0
_WINDOW_S = 5.0
_LEAD_S = 1.5  # before a time to listen at
_SETTLE_S = 5.0  # rendered before a window, so that every detector has settled
_EDGE_S = 0.01
_HIGHEST_HZ = 48_000
_BITS = 16
_HIGHEST_DBFS = -0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """A stretch of mix time, and where it begins in the page's sound."""

    start_s: float
    stop_s: float
    at_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Sound:
    """One version: its name, what it was turned by, and FLAC as base64."""

    name: str
    gain_db: float
    flac: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Listening:
    """Everything that the page plays; all versions have the same windows and the same length."""

    rate_hz: int
    windows: tuple[Window, ...]
    sounds: tuple[Sound, ...]


def windows_for(duration_s: float, loudest_s: float, cues_s: Sequence[float]) -> tuple[Window, ...]:
    """Stretches of the song to hear: the loudest 3 s first, then where most of the times to listen at lie.

    Parameters
    ----------
    duration_s
        Length of the mix.
    loudest_s
        Start of the loudest 3 s.
    cues_s
        Times to listen at.
    """
    if duration_s <= TOTAL_S * 1.25:
        return (Window(start_s=0.0, stop_s=duration_s, at_s=0.0),)
    last = duration_s - _WINDOW_S
    starts = [min(last, max(0.0, loudest_s - 1.0))]
    rest = sorted({round(cue, 2) for cue in cues_s if not starts[0] <= cue <= starts[0] + _WINDOW_S - 1.0})
    while rest and (len(starts) + 1) * _WINDOW_S <= TOTAL_S:
        options = [min(last, max(0.0, cue - _LEAD_S)) for cue in rest]
        free = [s for s in options if all(abs(s - taken) >= _WINDOW_S for taken in starts)]
        if not free:
            break
        best = max(free, key=lambda s: (sum(s <= cue <= s + _WINDOW_S - 1.0 for cue in rest), -s))
        starts.append(best)
        rest = [cue for cue in rest if not best <= cue <= best + _WINDOW_S - 1.0]
    windows, at = [], 0.0
    for start in sorted(starts):
        windows.append(Window(start_s=start, stop_s=start + _WINDOW_S, at_s=at))
        at += _WINDOW_S
    return tuple(windows)


def listening_for(
    found: Suggestion, names: Mapping[str, str], loudest_s: float, cues_s: Sequence[float]
) -> Listening:
    """Cut, render, level and encode.

    Parameters
    ----------
    found
        The result; its neighbours are rendered here, from a few seconds before every window on.
    names
        What `mix`, `suggestion` and the sides are called.
    loudest_s
        Start of the loudest 3 s.
    cues_s
        Times to listen at.
    """
    mix = found.mix
    windows = windows_for(mix.duration_s, loudest_s, cues_s)
    spans = [(round(w.start_s * mix.rate_hz), round(w.stop_s * mix.rate_hz)) for w in windows]
    heard = {
        "mix": _joined([mix.samples[a:b] for a, b in spans], mix.rate_hz),
        "suggestion": _joined([found.samples[a:b] for a, b in spans], mix.rate_hz),
        **{
            side: _joined([_rendered(found, verified, a, b) for a, b in spans], mix.rate_hz)
            for side, verified in found.neighbours.items()
        },
    }
    rate_hz = mix.rate_hz if mix.rate_hz <= _HIGHEST_HZ else _HIGHEST_HZ
    levels = {name: integrated_lufs(weighted_hops(sound, mix.rate_hz)) for name, sound in heard.items()}
    known = [level for level in levels.values() if level is not None]
    gains = {name: 0.0 if level is None else min(known) - level for name, level in levels.items()}
    at_rate = {name: resampled(sound, mix.rate_hz, rate_hz) for name, sound in heard.items()}
    peaks = [float(np.abs(at_rate[name]).max(initial=0.0)) * db_to_linear(gains[name]) for name in at_rate]
    # A mix may peak over full scale: then all versions go down together, so that none is cut off.
    room = min(0.0, _HIGHEST_DBFS - linear_to_db(max(peaks)))
    sounds = []
    for name, sound in at_rate.items():
        gain = gains[name] + room
        turned = sound * np.float32(db_to_linear(gain))
        sounds.append(Sound(name=names[name], gain_db=gain, flac=_flac(turned, rate_hz, found.config.search.seed)))
    return Listening(rate_hz=rate_hz, windows=windows, sounds=tuple(sounds))


def _rendered(found: Suggestion, verified: Verified, first: int, last: int) -> Samples:
    begin = max(0, first - round(_SETTLE_S * found.mix.rate_hz))
    settings = without_fades(verified.settings)
    rendered = found.config.chain_plan.render(found.mix.samples[begin:last], found.mix.rate_hz, settings).samples
    return rendered[first - begin :]


def _joined(parts: Sequence[Samples], rate_hz: int) -> Samples:
    """The windows behind each other, each with soft edges."""
    count = round(_EDGE_S * rate_hz)
    rise = (0.5 - 0.5 * np.cos(np.pi * (np.arange(count) + 0.5) / count)).astype(np.float32)[:, None]
    soft = []
    for part in parts:
        part = part.copy()
        part[:count] *= rise
        part[-count:] *= rise[::-1]
        soft.append(part)
    return np.concatenate(soft)


def _flac(samples: Samples, rate_hz: int, seed: int) -> str:
    words = quantise(samples, _BITS, np.random.default_rng(seed)).astype(np.int16)
    packed = io.BytesIO()
    soundfile.write(packed, words, rate_hz, format="FLAC", subtype=f"PCM_{_BITS}")
    return base64.b64encode(packed.getvalue()).decode("ascii")
