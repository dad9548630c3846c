"""A song being played: the score's common gestures, so that the line-ups only say who plays what."""

from collections.abc import Callable, Iterator

import numpy as np

from autochain.demo.desk import MixingDesk
from autochain.demo.form import BEATS_PER_BAR, Bar, Form, melody, part_rng
from autochain.demo.scenario import DemoSong
from autochain.demo.tones import Buffer, decay

_STROKES_DB = {"X": 0.0, "x": -2.0, "o": -8.0}
_LATE_S = 0.004  # spread of human timing
_UNEVEN_DB = 0.7  # spread of human touch

Stroke = Callable[[int], Buffer]
ChordNote = Callable[[tuple[int, ...], float], Buffer]
Pitched = Callable[[int, float], Buffer]


class Session:
    """Song, form, desk and seed in one place, with the gestures that line-ups share."""

    def __init__(self, song: DemoSong, form: Form, desk: MixingDesk, seed: int) -> None:
        self.song = song
        self.form = form
        self.desk = desk
        self.seed = seed
        self.rate_hz = desk.rate_hz

    def rng(self, part: str, variant: int = 0) -> np.random.Generator:
        """Random numbers of one part."""
        return part_rng(self.seed, part, variant)

    def bars(self, part: str) -> Iterator[Bar]:
        """Bars in which a part plays."""
        return (bar for bar in self.form.bars if part in bar.section.parts)

    def put(
        self, part: str, note: Buffer, at_s: float, gain_db: float, *, stem: str, pan: float = 0.0
    ) -> None:
        """Place a note of a part at its level in the scenario plus `gain_db`."""
        level_db = self.song.levels_db[part] + gain_db
        self.desk.place(stem, note, at_s, level_db, pan=pan, send_db=self.song.send_db.get(part))

    def steps(self, part: str) -> Iterator[tuple[Bar, int, float, float]]:
        """Strokes of a part's pattern: bar, step, time in s, gain in dB, with human spread."""
        rng = self.rng(f"touch {part}")
        pattern = self.song.patterns[part]
        for bar in self.bars(part):
            for step, mark in enumerate(pattern):
                late_s, uneven_db = rng.normal(0.0, _LATE_S), rng.normal(0.0, _UNEVEN_DB)
                if mark in _STROKES_DB:
                    at_s = bar.start_s + step * self.form.step_s + max(-2.0 * _LATE_S, min(late_s, 2.0 * _LATE_S))
                    yield bar, step, at_s, bar.section.gain_db + _STROKES_DB[mark] + uneven_db

    def gap_s(self, part: str, step: int) -> float:
        """Time from a step of a part's pattern to its next stroke, or to the end of the bar."""
        following = self.song.patterns[part][step + 1 :]
        rests = len(following) - len(following.lstrip("."))
        return (1 + rests) * self.form.step_s

    def strike(self, part: str, stroke: Stroke, *, stem: str = "drums", pan: float = 0.0) -> list[float]:
        """Play a drum's pattern with four recorded strokes in turn at random; returns the onsets in s."""
        rng = self.rng(f"stroke {part}")
        onsets = []
        for _bar, _step, at_s, gain_db in self.steps(part):
            self.put(part, stroke(int(rng.integers(4))), at_s, gain_db, stem=stem, pan=pan)
            onsets.append(at_s)
        return onsets

    def accent(self, part: str, note: Buffer, *, stem: str = "drums") -> None:
        """Strike once at the opening of every section in which a part plays, and on the final chord."""
        for bar in self.bars(part):
            if bar.opens:
                self.put(part, note, bar.start_s, bar.section.gain_db, stem=stem)
        self.put(part, note, self.form.end_s, -2.0, stem=stem)

    def bass_line(self, part: str, note: Pitched, lowest: int, *, stem: str = "bass") -> None:
        """Play the chord's root on the part's pattern, folded into the octave from `lowest`; the last one rings."""
        for bar, step, at_s, gain_db in self.steps(part):
            midi = lowest + (self.song.root_midi + bar.chord[0] - lowest) % 12
            self.put(part, note(midi, 0.95 * self.gap_s(part, step)), at_s, gain_db, stem=stem)
        last = lowest + (self.song.root_midi + self.song.chords[0][0] - lowest) % 12
        self.put(part, note(last, 2.0), self.form.end_s, -1.0, stem=stem)

    def hold(self, part: str, note: ChordNote, beats: float, *, stem: str = "music") -> None:
        """Hold the bar's chord, struck again every `beats`."""
        for bar in self.bars(part):
            for strike in range(round(BEATS_PER_BAR / beats)):
                at_s = bar.start_s + strike * beats * self.form.beat_s
                self.put(part, note(bar.chord, beats * self.form.beat_s), at_s, bar.section.gain_db, stem=stem)

    def final(self, part: str, note: ChordNote, *, stem: str = "music", gain_db: float = -1.0) -> None:
        """Play the home chord once, on the downbeat after the last bar, and let it die away."""
        chord = note(self.song.chords[0], 2.1)
        dying = decay(chord.shape[0], self.rate_hz, 3.0).astype(np.float32)
        chord = chord * (dying[:, None] if chord.ndim == 2 else dying)
        self.put(part, chord, self.form.end_s, gain_db, stem=stem)

    def sing(self, part: str, note: Pitched, low_midi: int, *, stem: str = "lead", lift: int = 0) -> None:
        """Play each section's phrase over the chord loop; `lift` raises the loud sections' range, in semitones."""
        song, form = self.song, self.form
        loop = len(song.chords)
        for bar in self.bars(part):
            loud = bar.section.gain_db >= -0.5
            phrase = melody(song, self.seed, bar.section.name, low_midi + (lift if loud else 0))
            first = (bar.index % loop) * BEATS_PER_BAR
            for place in phrase:
                if first <= place.beat < first + BEATS_PER_BAR:
                    at_s = bar.start_s + (place.beat - first) * form.beat_s
                    length_s = 0.93 * place.length_beats * form.beat_s
                    self.put(part, note(place.midi, length_s), at_s, bar.section.gain_db, stem=stem)
        home = low_midi + (song.root_midi - low_midi) % 12
        self.put(part, note(home, 1.6), form.end_s, -3.0, stem=stem)

    def pickup(self, part: str, notes: list[Buffer], *, stem: str, gain_db: float = -6.0) -> None:
        """Lead into the first bar with evenly spaced notes over the beat before it."""
        first_s = self.form.bars[0].start_s
        for number, note in enumerate(notes):
            at_s = first_s - self.form.beat_s * (1.0 - number / len(notes))
            self.put(part, note, at_s, gain_db, stem=stem)
