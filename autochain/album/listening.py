"""What the page of an album plays: of each song its loudest part, mix and master, with a switch between songs.

Masters stand to each other as they are on the album, and every mix is turned to be as loud as its master; then all go
down together until none is turned up.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from autochain.album.figures import standing_out
from autochain.album.joined import read_joined
from autochain.album.record import Record
from autochain.album.run import Album
from autochain.album.tracks import Track
from autochain.audio.mix import Mix, Samples
from autochain.audio.resample import resampled
from autochain.document.blocks import Line, Time
from autochain.earlier.read import read_sheet
from autochain.earlier.same_song import refuse_other_mix
from autochain.errors import AutochainError
from autochain.measure.loudness import SHORT_TERM_HOPS, integrated_lufs, weighted_hops
from autochain.page.listening import EDGE_S, Listening, PlayedVersion, rendered_part, room_db
from autochain.page.places import Window
from autochain.page.words16 import BUDGET_BYTES, HIGHEST_HZ, flac_of, soft_edges, words_of
from autochain.progress import Progress
from autochain.render.sheet_chain import sheet_chain
from autochain.search.facts import loudest_start_s
from autochain.units import clock

LONGEST_PART_S, SHORTEST_PART_S = 8.0, 3.0  # of a song; the loudest part is one of 3 s
MOST_SONGS = 24  # are read again for the page
_SEED = 1  # of the dither


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AlbumSound:
    """What plays, and the track of each of its windows."""

    listening: Listening
    tracks: tuple[Track, ...]

    def loudest_part(self, track: Track) -> Line:
        """When the loudest part of a track begins, to be pressed; empty where it does not play."""
        if track not in self.tracks:
            return ""
        song = self.tracks.index(track)
        start_s = self.listening.windows[song].start_s
        return Time(clock(start_s), math.ceil(100.0 * start_s) / 100.0, song)  # a page tells it to 10 ms: not before


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Excerpt:
    """Mix and master of a song around its loudest part, at the song's own rate, from `start_s` of the mix on."""

    track: Track
    title: str
    start_s: float
    loudest_s: float
    rate_hz: int
    mix: Samples
    master: Samples

    def window(self, length_s: float, at_s: float) -> Window:
        """Its place in the page's sound, the loudest part in the middle."""
        held_s = len(self.mix) / self.rate_hz
        length_s = min(length_s, held_s)
        first = self.loudest_s - self.start_s - 0.5 * (length_s - SHORTEST_PART_S)
        start = self.start_s + min(max(0.0, first), held_s - length_s)
        return Window(start_s=start, stop_s=start + length_s, at_s=at_s, song=self.title)

    def parts(self, window: Window, page_hz: int, channels: int) -> tuple[Samples, Samples]:
        """Mix and master of a window at the page's rate."""
        first, last = (round((at - self.start_s) * self.rate_hz) for at in (window.start_s, window.stop_s))
        mix, master = (
            soft_edges(resampled(sound[first:last], self.rate_hz, page_hz), page_hz, EDGE_S)
            for sound in (self.mix, self.master)
        )
        times = channels // mix.shape[1]  # a single channel plays from both loudspeakers
        return np.repeat(mix, times, axis=1), np.repeat(master, times, axis=1)


def album_sounds(album: Album, out: Path, progress: Progress) -> AlbumSound | None:
    """Render the loudest parts by the sheets in a folder; None where no song can be played.

    Where not all have room, those that ask for a look have precedence.
    """
    wanted = _by_precedence(album)[:MOST_SONGS]
    found = list[_Excerpt]()
    for place, (track, record) in enumerate(wanted):
        progress("rendering the places to hear", place / len(wanted))
        try:
            found.append(_excerpt(track, record, out / f"{album.sheet_stem(track)}.sheet.json"))
        except AutochainError:
            continue  # a mix that is gone or was changed since has no sound here
    if not found:
        return None
    page_hz = min(HIGHEST_HZ, max(one.rate_hz for one in found))
    channels = max(one.mix.shape[1] for one in found)
    loudest = [one.parts(one.window(SHORTEST_PART_S, 0.0), page_hz, channels) for one in found]
    sizes = _sizes(loudest, page_hz)
    count = max(1, int(np.searchsorted(np.cumsum(sizes), BUDGET_BYTES, side="right")))
    length_s = min(LONGEST_PART_S, SHORTEST_PART_S * BUDGET_BYTES / sum(sizes[:count]))
    order = {id(track): place for place, (track, _) in enumerate(album.tracks)}
    played = sorted(found[:count], key=lambda one: order[id(one.track)])
    listening = _listening(played, length_s, page_hz, channels)
    return AlbumSound(listening=listening, tracks=tuple(one.track for one in played))


def _by_precedence(album: Album) -> list[tuple[Track, Record]]:
    out = {id(record) for record, _ in standing_out(album)}
    done = [(track, record) for track, record in album.tracks if isinstance(record, Record)]
    return sorted(done, key=lambda one: not (one[1].asks_for_a_look or id(one[1]) in out))


def _excerpt(track: Track, record: Record, sheet_path: Path) -> _Excerpt:
    mix, _ = read_joined(track.paths)
    sheet = read_sheet(sheet_path)
    refuse_other_mix(sheet, mix)
    hops = weighted_hops(mix.samples, mix.rate_hz)
    loudest_s = loudest_start_s(hops) if len(hops) >= SHORT_TERM_HOPS else 0.0
    first, last = _around(mix, loudest_s)
    return _Excerpt(
        track=track,
        title=record.title,
        start_s=first / mix.rate_hz,
        loudest_s=loudest_s,
        rate_hz=mix.rate_hz,
        mix=mix.samples[first:last].copy(),
        master=rendered_part(*sheet_chain(sheet), mix, first, last),
    )


def _around(mix: Mix, loudest_s: float) -> tuple[int, int]:
    first = max(0.0, min(loudest_s - 0.5 * (LONGEST_PART_S - SHORTEST_PART_S), mix.duration_s - LONGEST_PART_S))
    return round(first * mix.rate_hz), min(len(mix.samples), round((first + LONGEST_PART_S) * mix.rate_hz))


def _gains_db(parts: Sequence[tuple[Samples, Samples]], page_hz: int) -> tuple[list[float], float]:
    """Gain of every mix, and the one gain of all masters; none above 0 dB."""
    apart = []
    for pair in parts:
        mix, master = (integrated_lufs(weighted_hops(sound, page_hz)) for sound in pair)
        apart.append(0.0 if mix is None or master is None else master - mix)
    down = max(0.0, *apart) if len(apart) > 1 else max(0.0, apart[0])
    room = room_db([
        turned
        for (mix, master), gain in zip(parts, apart, strict=True)
        for turned in ((mix, gain - down), (master, -down))
    ])  # fmt: skip
    return [gain - down + room for gain in apart], room - down


def _sizes(parts: Sequence[tuple[Samples, Samples]], page_hz: int) -> list[int]:
    """Bytes of each song, both versions, in base64."""
    mixes_db, masters_db = _gains_db(parts, page_hz)
    return [
        len(flac_of(words_of(mix, mix_db, _SEED), page_hz)) + len(flac_of(words_of(master, masters_db, _SEED), page_hz))
        for (mix, master), mix_db in zip(parts, mixes_db, strict=True)
    ]


def _listening(played: Sequence[_Excerpt], length_s: float, page_hz: int, channels: int) -> Listening:
    windows = tuple(_windows(played, length_s))
    parts = [one.parts(window, page_hz, channels) for one, window in zip(played, windows, strict=True)]
    mixes_db, masters_db = _gains_db(parts, page_hz)
    mixes = [words_of(mix, gain, _SEED) for (mix, _), gain in zip(parts, mixes_db, strict=True)]
    masters = [words_of(master, masters_db, _SEED) for _, master in parts]
    sounds = (
        PlayedVersion(name="mix", gain_db=max(mixes_db), words=np.concatenate(mixes)),
        PlayedVersion(name="master", gain_db=masters_db, words=np.concatenate(masters)),
    )
    frames = len(sounds[0].words)
    return Listening(rate_hz=page_hz, windows=windows, sounds=sounds, apart_lu=0.0, block_frames=frames)


def _windows(played: Sequence[_Excerpt], length_s: float) -> Iterator[Window]:
    at_s = 0.0
    for one in played:
        window = one.window(length_s, at_s)
        yield window
        at_s += window.stop_s - window.start_s
