"""The invented session the demo mixes come from, read from `shared/demo.toml`."""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

from autochain.errors import UsageError
from autochain.resources import read_table


@dataclass(frozen=True, slots=True, kw_only=True)
class SongSection:
    """A stretch of a song: its share of the bars, how hard everybody plays, and who plays."""

    name: str
    share: float
    gain_db: float
    parts: frozenset[str]


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoSong:
    """One invented song and how it is arranged and balanced.

    Attributes
    ----------
    character, title
        Identifier of the kind of mix, and the invented song title.
    target_lufs, ceiling_dbtp
        What a master of this mix is asked to reach.
    tempo_bpm
        Nominal tempo; the form bends it a little so that whole bars fill the requested time.
    root_midi, scale, chords
        Key note (MIDI number), pentatonic scale and one chord a bar, in semitones above the key note.
    sections
        In playing order.
    patterns
        Sixteen steps a bar: `X` strong, `x` normal, `o` ghost, `.` rest.
    levels_db, send_db
        Level of each part, and what it sends to the reverberation relative to that.
    decay_s, return_db
        Reverberation time (60 dB) and its level in the mix.
    """

    character: str
    title: str
    target_lufs: float
    ceiling_dbtp: float
    tempo_bpm: float
    root_midi: int
    scale: tuple[int, ...]
    chords: tuple[tuple[int, ...], ...]
    sections: tuple[SongSection, ...]
    patterns: Mapping[str, str]
    levels_db: Mapping[str, float]
    send_db: Mapping[str, float]
    decay_s: float
    return_db: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """The session: who, where, what, the loudness its mixes are handed over at, and the songs by character."""

    band: str
    place: str
    session: str
    mix_lufs: float
    songs: Mapping[str, DemoSong]


@cache
def read_scenario() -> Scenario:
    """Read the packaged scenario; songs keep the order of the file."""
    table = read_table("demo.toml")
    songs = {
        character: DemoSong(
            character=character,
            title=song["title"],
            target_lufs=song["target_lufs"],
            ceiling_dbtp=table["ceiling_dbtp"],
            tempo_bpm=song["tempo_bpm"],
            root_midi=song["root_midi"],
            scale=tuple(song["scale"]),
            chords=tuple(tuple(chord) for chord in song["chords"]),
            sections=tuple(
                SongSection(
                    name=section["name"],
                    share=section["share"],
                    gain_db=section["gain_db"],
                    parts=frozenset(section["parts"]),
                )
                for section in song["sections"]
            ),
            patterns=song["patterns"],
            levels_db=song["levels_db"],
            send_db=song["send_db"],
            decay_s=song["room"]["decay_s"],
            return_db=song["room"]["return_db"],
        )
        for character, song in table["songs"].items()
    }
    return Scenario(
        band=table["band"],
        place=table["place"],
        session=table["session"],
        mix_lufs=table["mix_lufs"],
        songs=songs,
    )


def demo_song(character: str) -> DemoSong:
    """Return the song of a character.

    Raises
    ------
    UsageError
        If there is no such character.
    """
    songs = read_scenario().songs
    if character not in songs:
        raise UsageError(f"demo: there is no character {character!r}; choose one of {', '.join(songs)}.")
    return songs[character]
