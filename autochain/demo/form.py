"""From a requested duration to bars, and from a scale to melodies."""

import zlib
from dataclasses import dataclass

import numpy as np

from autochain.demo.scenario import DemoSong, SongSection

BEATS_PER_BAR = 4
STEPS_PER_BAR = 16
PICKUP_BEATS = 1.0
HEAD_S = 0.03  # a file does not start on the very first sample of a note
TAIL_S = 2.2  # the last chord rings and the room dies away

# Onset and length in beats of the notes of one bar.
_RHYTHMS: tuple[tuple[tuple[float, float], ...], ...] = (
    ((0.0, 1.5), (1.5, 0.5), (2.0, 1.5)),
    ((0.5, 0.5), (1.0, 1.0), (2.0, 1.0), (3.0, 0.75)),
    ((0.0, 1.0), (1.0, 1.0), (2.0, 1.75)),
    ((0.0, 0.5), (0.5, 1.0), (1.5, 1.0), (2.5, 1.25)),
    ((0.0, 2.75),),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Bar:
    """One bar: its number, when it starts, its section, its chord, and whether it opens or closes a section."""

    index: int
    start_s: float
    section: SongSection
    chord: tuple[int, ...]
    opens: bool
    closes: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Form:
    """The whole song in time: length of a beat, the bars, and when the final chord falls."""

    beat_s: float
    bars: tuple[Bar, ...]
    end_s: float

    @property
    def bar_s(self) -> float:
        """Length of a bar in seconds."""
        return self.beat_s * BEATS_PER_BAR

    @property
    def step_s(self) -> float:
        """Length of a sixteenth in seconds."""
        return self.bar_s / STEPS_PER_BAR


@dataclass(frozen=True, slots=True, kw_only=True)
class MelodyNote:
    """A note inside a phrase: onset and length in beats, pitch as MIDI number."""

    beat: float
    length_beats: float
    midi: int


def plan_form(song: DemoSong, duration_s: float) -> Form:
    """Lay whole bars into the time between the pickup and the tail.

    The tempo bends so that the bars fit exactly: by a few per cent at 10 s, unnoticeably at a minute.
    """
    bar_s = BEATS_PER_BAR * 60.0 / song.tempo_bpm
    pickup_bars = PICKUP_BEATS / BEATS_PER_BAR
    playing_s = duration_s - HEAD_S - TAIL_S
    count = max(2, round(playing_s / bar_s - pickup_bars))
    bar_s = playing_s / (count + pickup_bars)
    first_s = HEAD_S + pickup_bars * bar_s

    shares = np.cumsum([section.share for section in song.sections])
    ends = np.rint(shares / shares[-1] * count).astype(int)
    owner = np.searchsorted(ends, np.arange(count), side="right")
    bars = tuple(
        Bar(
            index=index,
            start_s=first_s + index * bar_s,
            section=song.sections[owner[index]],
            chord=song.chords[index % len(song.chords)],
            opens=index == 0 or bool(owner[index] != owner[index - 1]),
            closes=index == count - 1 or bool(owner[index] != owner[index + 1]),
        )
        for index in range(count)
    )
    return Form(beat_s=bar_s / BEATS_PER_BAR, bars=bars, end_s=first_s + count * bar_s)


def part_rng(seed: int, part: str, variant: int = 0) -> np.random.Generator:
    """Random numbers of one part, independent of every other part and of the order in which they play."""
    return np.random.default_rng([seed, zlib.crc32(part.encode()), variant])


def melody(song: DemoSong, seed: int, name: str, low_midi: int) -> tuple[MelodyNote, ...]:
    """Draw one phrase over the chord loop: a random walk on the pentatonic scale, landing on chord notes.

    Parameters
    ----------
    song
        Gives scale and chords.
    seed, name
        Same seed and name, same phrase; so a chorus comes back as itself.
    low_midi
        The walk stays within about an octave and a half above this pitch.
    """
    rng = part_rng(seed, f"melody {name}")
    ladder = [
        midi for midi in range(low_midi, low_midi + 18) if (midi - song.root_midi) % 12 in song.scale
    ]
    place = len(ladder) // 2
    notes = []
    for bar, chord in enumerate(song.chords):
        chord_classes = {(song.root_midi + tone) % 12 for tone in chord}
        rhythm = _RHYTHMS[int(rng.integers(len(_RHYTHMS)))]
        for number, (beat, length_beats) in enumerate(rhythm):
            place = int(np.clip(place + rng.integers(-2, 3), 0, len(ladder) - 1))
            if number == 0:
                on_chord = [i for i, midi in enumerate(ladder) if midi % 12 in chord_classes]
                place = min(on_chord, key=lambda i: (abs(i - place), i)) if on_chord else place
            notes.append(
                MelodyNote(
                    beat=bar * BEATS_PER_BAR + beat, length_beats=length_beats, midi=ladder[place]
                )
            )
    return tuple(notes)
