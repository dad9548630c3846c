"""Sound for a page: the same places of several versions of a song, equally loud, as FLAC.

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

from autochain.audio.mix import Mix, Samples
from autochain.audio.resample import resampled
from autochain.chain.chain import ChainPlan
from autochain.chain.output import without_ends
from autochain.chain.settings import ChainSettings
from autochain.measure.loudness import Series, integrated_lufs, weighted_hops
from autochain.page.places import WINDOW_S, Window, excerpts, places
from autochain.page.words16 import BUDGET_BYTES, HIGHEST_HZ, flac_of, highest, soft_edges, words_of
from autochain.search.result import Suggestion
from autochain.units import db_to_linear, linear_to_db

MOST_S, LEAST_S = 60.0, 10.0
BLOCK_S = 10.0
_SETTLE_S = 5.0  # rendered before a window, so that every detector has settled
EDGE_S = 0.01
_HIGHEST_DBFS = -0.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlayedVersion:
    """One version: its name, what it was turned by, and 16-bit words, shape (frames, channels)."""

    name: str
    gain_db: float
    words: npt.NDArray[np.int16]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Listening:
    """Everything that a page plays; all versions have the same length and the same places.

    Attributes
    ----------
    rate_hz
        Of all sounds.
    windows
        Places to repeat.
    sounds
        Two or more; the difference is that of the second and the first.
    apart_lu
        How far a version is from the first in the place where they differ most: equal they are over all.
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
    parts = [sound[span_of(loudest_s, mix.rate_hz)] for sound in (mix.samples, found.samples)]
    room_s = affordable_s([parts[0], parts[1], *[parts[1]] * len(found.neighbours)], mix.rate_hz)
    windows = excerpts(mix.duration_s, loudest_s, cues_s, max(LEAST_S, room_s))
    heard = {
        names["mix"]: places_of(mix.samples, windows, mix.rate_hz),
        names["suggestion"]: places_of(found.samples, windows, mix.rate_hz),
    }
    for side, verified in found.neighbours.items():
        heard[names[side]] = rendered_places(found.config.chain_plan, verified.settings, mix, windows)
    return levelled(heard, mix.rate_hz, windows, found.config.search.seed)


def songs_of(found: Suggestion, names: Mapping[str, str], loudest_s: float, cues_s: Sequence[float]) -> Listening:
    """Whole songs in blocks of `BLOCK_S`; the parameters are those of `excerpts_of`, and fades are heard."""
    mix = found.mix
    heard = {names["mix"]: mix.samples, names["suggestion"]: found.samples}
    for side, verified in found.neighbours.items():
        heard[names[side]] = found.config.chain_plan.render(mix.samples, mix.rate_hz, verified.settings).samples
    windows = places(mix.duration_s, loudest_s, cues_s)
    return levelled(heard, mix.rate_hz, windows, found.config.search.seed, BLOCK_S)


def levelled(
    heard: Mapping[str, Samples],
    rate_hz: int,
    windows: tuple[Window, ...],
    seed: int,
    block_s: float | None = None,
) -> Listening:
    """Make versions equally loud, and ready for a page.

    Parameters
    ----------
    heard
        Sounds by name, two or more, all of one shape (frames, channels) and in step: the windows one behind the other,
        or the whole song.
    rate_hz
        Their sample rate; the page has 48 kHz at most.
    windows
        Places in them.
    seed
        Of the dither.
    block_s
        Length of a block; None for one.
    """
    page_hz = min(rate_hz, HIGHEST_HZ)
    hops = {name: weighted_hops(sound, rate_hz) for name, sound in heard.items()}
    levels = {name: integrated_lufs(powers) for name, powers in hops.items()}
    known = [level for level in levels.values() if level is not None]
    gains = {name: 0.0 if level is None else min(known) - level for name, level in levels.items()}
    at_rate = {name: resampled(sound, rate_hz, page_hz) for name, sound in heard.items()}
    room = room_db([(sound, gains[name]) for name, sound in at_rate.items()])
    sounds = tuple(
        PlayedVersion(name=name, gain_db=gains[name] + room, words=words_of(sound, gains[name] + room, seed))
        for name, sound in at_rate.items()
    )
    frames = len(sounds[0].words)
    return Listening(
        rate_hz=page_hz,
        windows=windows,
        sounds=sounds,
        apart_lu=_apart_lu(hops, gains, windows),
        block_frames=frames if block_s is None else round(block_s * page_hz),
    )


def room_db(turned: Sequence[tuple[Samples, float]]) -> float:
    """Gain in dB, 0 or less, that keeps sounds with gains of their own under full scale: a mix may peak over it.

    All versions go down by it together, so that none is cut off.
    """
    peaks = [highest(sound) * db_to_linear(gain_db) for sound, gain_db in turned]
    return min(0.0, _HIGHEST_DBFS - linear_to_db(max(peaks)))


def _apart_lu(hops: Mapping[str, Series], gains: Mapping[str, float], windows: Sequence[Window]) -> float:
    """Largest difference of a version from the first in one place."""
    apart = [0.0]
    for window in windows:
        first, last = round(100.0 * window.at_s), round(100.0 * (window.at_s + window.stop_s - window.start_s))
        levels = [(name, integrated_lufs(powers[first:last])) for name, powers in hops.items()]
        heard = [level + gains[name] for name, level in levels if level is not None]
        if len(heard) == len(levels):
            apart += [abs(level - heard[0]) for level in heard]
    return max(apart)


def span_of(start_s: float, rate_hz: int) -> slice:
    """Frames of a window that begins there."""
    first = round(start_s * rate_hz)
    return slice(first, first + round(WINDOW_S * rate_hz))


def affordable_s(parts: Sequence[Samples], rate_hz: int, budget_bytes: int = BUDGET_BYTES) -> float:
    """Seconds of all versions that a page has room for, `MOST_S` at most.

    Parameters
    ----------
    parts
        The loudest place of every version: no other place takes much more.
    rate_hz
        Their sample rate.
    budget_bytes
        How much there is, in base64.
    """
    page_hz = min(rate_hz, HIGHEST_HZ)
    levels = [integrated_lufs(weighted_hops(part, rate_hz)) for part in parts]
    known = [level for level in levels if level is not None]
    sizes = dict[int, int]()
    for part, level in zip(parts, levels, strict=True):
        if id(part) not in sizes:
            turned = words_of(resampled(part, rate_hz, page_hz), 0.0 if level is None else min(known) - level, 1)
            sizes[id(part)] = len(flac_of(turned, page_hz))
    taken = sum(sizes[id(part)] for part in parts)
    return min(MOST_S, budget_bytes * (len(parts[0]) / rate_hz) / max(1, taken))


def rendered_places(chain: ChainPlan, settings: ChainSettings, mix: Mix, windows: Sequence[Window]) -> Samples:
    """Windows of what settings make of a mix, one behind the other; only these are rendered, without fades."""
    parts = [rendered_part(chain, settings, mix, first, last) for first, last in _spans(windows, mix.rate_hz)]
    return np.concatenate([soft_edges(part, mix.rate_hz, EDGE_S) for part in parts])


def rendered_part(chain: ChainPlan, settings: ChainSettings, mix: Mix, first: int, last: int) -> Samples:
    """Frames from `first` to `last` of what settings make of a mix, rendered from a few seconds before on."""
    begin = max(0, first - round(_SETTLE_S * mix.rate_hz))
    rendered = chain.render(mix.samples[begin:last], mix.rate_hz, without_ends(settings)).samples
    return rendered[first - begin :]


def places_of(samples: Samples, windows: Sequence[Window], rate_hz: int) -> Samples:
    """The windows of a song behind each other, each with soft edges."""
    return np.concatenate([soft_edges(samples[a:b], rate_hz, EDGE_S) for a, b in _spans(windows, rate_hz)])


def _spans(windows: Sequence[Window], rate_hz: int) -> list[tuple[int, int]]:
    return [(round(w.start_s * rate_hz), round(w.stop_s * rate_hz)) for w in windows]
