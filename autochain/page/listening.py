"""Sound for the page: the same places of the mix and of what was made of it, equally loud, as FLAC.

Either places that hold as many of the times to listen at as fit, inside the page, or whole songs in blocks beside it.
Whatever is louder is turned down to the quietest, which is the mix in practice; nothing is turned up. How loud is
measured over all that the page plays. FLAC, since a lossy coder would add to what is compared, and its delay would
move the switch.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from autochain.audio.mix import Samples
from autochain.audio.resample import resampled
from autochain.chain.output import without_ends
from autochain.measure.loudness import integrated_lufs, weighted_hops
from autochain.page.places import WINDOW_S, Window, excerpts, places
from autochain.page.words16 import BUDGET_BYTES, HIGHEST_HZ, flac_of, highest, soft_edges, words_of
from autochain.search.result import Suggestion, Verified
from autochain.units import db_to_linear, linear_to_db

MOST_S, LEAST_S = 60.0, 10.0
BLOCK_S = 10.0
_SETTLE_S = 5.0  # rendered before a window, so that every detector has settled
_EDGE_S = 0.01
_HIGHEST_DBFS = -0.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlayedVersion:
    """One version: its name, what it was turned by, and 16-bit words, shape (frames, channels)."""

    name: str
    gain_db: float
    words: npt.NDArray[np.int16]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Listening:
    """Everything that the page plays; all versions have the same length and the same places.

    Attributes
    ----------
    rate_hz
        Of all sounds.
    windows
        Places to repeat.
    sounds
        Mix, suggestion, neighbours.
    apart_lu
        How far mix and suggestion are apart in the place where they differ most: equal they are over all.
    block_frames
        The sounds are handed over in blocks of this length, the last one shorter.
    """

    rate_hz: int
    windows: tuple[Window, ...]
    sounds: tuple[PlayedVersion, ...]
    apart_lu: float
    block_frames: int

    @property
    def frames(self) -> int:
        """Length of every sound."""
        return len(self.sounds[0].words)

    @property
    def held(self) -> tuple[Window, ...]:
        """What can be played: the windows, or the whole song where its place in the sound is its time."""
        whole = Window(start_s=0.0, stop_s=self.frames / self.rate_hz, at_s=0.0)
        return (whole,) if all(window.at_s == window.start_s for window in self.windows) else self.windows

    @property
    def blocks(self) -> int:
        """Number of blocks."""
        return math.ceil(self.frames / self.block_frames)

    def block(self, number: int) -> tuple[str, ...]:
        """FLAC of a block as base64, one a sound."""
        first = number * self.block_frames
        return tuple(flac_of(sound.words[first : first + self.block_frames], self.rate_hz) for sound in self.sounds)


def excerpts_of(
    found: Suggestion, names: Mapping[str, str], loudest_s: float, cues_s: Sequence[float]
) -> Listening:
    """Places of the song, as many as `BUDGET_BYTES` hold.

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
    windows = excerpts(mix.duration_s, loudest_s, cues_s, _affordable_s(found, loudest_s))
    spans = [(round(w.start_s * mix.rate_hz), round(w.stop_s * mix.rate_hz)) for w in windows]
    heard = {
        "mix": _joined([mix.samples[a:b] for a, b in spans], mix.rate_hz),
        "suggestion": _joined([found.samples[a:b] for a, b in spans], mix.rate_hz),
        **{
            side: _joined([_rendered(found, verified, a, b) for a, b in spans], mix.rate_hz)
            for side, verified in found.neighbours.items()
        },
    }
    return _levelled(found, names, heard, windows, None)


def songs_of(found: Suggestion, names: Mapping[str, str], loudest_s: float, cues_s: Sequence[float]) -> Listening:
    """Whole songs in blocks of `BLOCK_S`; the parameters are those of `excerpts_of`, and fades are heard."""
    mix = found.mix
    heard = {"mix": mix.samples, "suggestion": found.samples}
    for side, verified in found.neighbours.items():
        heard[side] = found.config.chain_plan.render(mix.samples, mix.rate_hz, verified.settings).samples
    return _levelled(found, names, heard, places(mix.duration_s, loudest_s, cues_s), BLOCK_S)


def _levelled(
    found: Suggestion,
    names: Mapping[str, str],
    heard: Mapping[str, Samples],
    windows: tuple[Window, ...],
    block_s: float | None,
) -> Listening:
    mix = found.mix
    rate_hz = min(mix.rate_hz, HIGHEST_HZ)
    hops = {name: weighted_hops(sound, mix.rate_hz) for name, sound in heard.items()}
    levels = {name: integrated_lufs(powers) for name, powers in hops.items()}
    known = [level for level in levels.values() if level is not None]
    gains = {name: 0.0 if level is None else min(known) - level for name, level in levels.items()}
    at_rate = {name: resampled(sound, mix.rate_hz, rate_hz) for name, sound in heard.items()}
    peaks = [highest(at_rate[name]) * db_to_linear(gains[name]) for name in at_rate]
    # A mix may peak over full scale: then all versions go down together, so that none is cut off.
    room = min(0.0, _HIGHEST_DBFS - linear_to_db(max(peaks)))
    sounds = tuple(
        PlayedVersion(
            name=names[name],
            gain_db=gains[name] + room,
            words=words_of(sound, gains[name] + room, found.config.search.seed),
        )
        for name, sound in at_rate.items()
    )
    apart = [0.0]
    for window in windows:
        first, last = round(100.0 * window.at_s), round(100.0 * (window.at_s + window.stop_s - window.start_s))
        before, after = (integrated_lufs(hops[name][first:last]) for name in ("mix", "suggestion"))
        if before is not None and after is not None:
            apart.append(abs(after + gains["suggestion"] - before - gains["mix"]))
    frames = len(sounds[0].words)
    return Listening(
        rate_hz=rate_hz,
        windows=windows,
        sounds=sounds,
        apart_lu=max(apart),
        block_frames=frames if block_s is None else round(block_s * rate_hz),
    )


def _affordable_s(found: Suggestion, loudest_s: float) -> float:
    """Seconds that the page has room for, by what the loudest part takes: no other part takes much more."""
    rate_hz = found.mix.rate_hz
    first = round(loudest_s * rate_hz)
    part = slice(first, first + round(WINDOW_S * rate_hz))
    gain_db = (found.before.integrated_lufs or 0.0) - (found.chosen.after.integrated_lufs or 0.0)
    turned = [(found.mix.samples[part], 0.0), (found.samples[part], min(0.0, gain_db))]
    lower_hz = min(rate_hz, HIGHEST_HZ)
    mix, master = (
        len(flac_of(words_of(resampled(sound, rate_hz, lower_hz), gain, found.config.search.seed), lower_hz))
        for sound, gain in turned
    )
    a_second = (mix + master * (1 + len(found.neighbours))) / max(1e-3, len(found.mix.samples[part]) / rate_hz)
    return min(MOST_S, max(LEAST_S, BUDGET_BYTES / a_second))


def _rendered(found: Suggestion, verified: Verified, first: int, last: int) -> Samples:
    begin = max(0, first - round(_SETTLE_S * found.mix.rate_hz))
    settings = without_ends(verified.settings)
    rendered = found.config.chain_plan.render(found.mix.samples[begin:last], found.mix.rate_hz, settings).samples
    return rendered[first - begin :]


def _joined(parts: Sequence[Samples], rate_hz: int) -> Samples:
    """The windows behind each other, each with soft edges."""
    return np.concatenate([soft_edges(part, rate_hz, _EDGE_S) for part in parts])
