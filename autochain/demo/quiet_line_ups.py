"""The two open line-ups: who plays what, on which stem, and how single tracks are treated."""

from functools import cache

import numpy as np

from autochain.demo import drums, strings, sustained
from autochain.demo.desk import compress
from autochain.demo.session import Session
from autochain.demo.tones import Buffer, kept, wide


def vocal_with_piano(s: Session) -> None:
    """A voice and a piano; bass, soft drums and strings come in with the chorus."""
    rate = s.rate_hz

    @cache
    def key(midi: int, length_s: float) -> Buffer:
        left, right = (strings.hammered(midi, length_s, rate, s.rng(f"piano {midi} {side}")) for side in "lr")
        lean = min(1.0, max(0.0, (midi - 36) / 48.0))  # low strings stand left, high ones right
        return kept(np.stack([left * (1.1 - 0.4 * lean), right * (0.7 + 0.4 * lean)], axis=1))

    @cache
    def lead(midi: int, length_s: float) -> Buffer:
        rng = s.rng(f"voice {midi} {length_s:.3f}")
        return kept(sustained.voice(midi, length_s, rate, rng, vowel=int(rng.integers(sustained.VOWELS))))

    @cache
    def bass(midi: int, length_s: float) -> Buffer:
        return kept(strings.bass_string(midi, length_s, rate, pressed=0.6))

    @cache
    def bowed(chord: tuple[int, ...], length_s: float) -> Buffer:
        midis = [s.song.root_midi + 12 + tone for tone in chord[1:]]
        layer = sustained.saw_layer(
            midis, length_s, rate, s.rng(f"strings {chord}"), voices=3, detune_cents=10.0, corner_hz=4000.0,
            attack_s=0.25, release_s=0.3,
        )
        return kept(layer)

    @cache
    def kick(take: int) -> Buffer:
        return kept(drums.kick(rate, s.rng("kick", take), low_hz=55.0, sweep_hz=90.0, decay_s=0.35, click=0.1))

    @cache
    def brush(take: int) -> Buffer:
        return kept(drums.brush(rate, s.rng("brush", take)))

    for bar, step, at_s, gain_db in s.steps("piano"):
        low, *upper = (s.song.root_midi + tone for tone in bar.chord)
        long_s = 1.1 * s.form.bar_s if step == 0 else 3.0 * s.form.step_s
        chosen = [low - 12, *upper] if step == 0 else [low, upper[2]] if step == 8 else [upper[step // 2 % 3]]
        for number, midi in enumerate(chosen):
            s.put("piano", key(midi, long_s), at_s + 0.006 * number, gain_db - len(chosen), stem="music")
    for number, tone in enumerate(s.song.chords[0]):
        s.put("piano", key(s.song.root_midi + tone, 2.1), s.form.end_s + 0.02 * number, -3.0, stem="music")
    s.strike("kick", kick)
    s.strike("brush", brush, pan=-0.15)
    s.bass_line("bass", bass, 31)
    s.hold("strings", bowed, 4.0)
    s.sing("lead", lead, 55, lift=3)
    fifth = s.song.root_midi + 19
    s.pickup("piano", [key(midi, s.form.beat_s) for midi in (fifth, fifth + 2)], stem="music")
    compress(s.desk.stem("music"), rate, threshold=0.35, ratio=2.0)
    compress(s.desk.stem("lead"), rate, threshold=0.25, ratio=2.0)


def sparse_acoustic(s: Session) -> None:
    """A picked guitar, a melody on a second one, a shaker, a frame drum, a little bass."""
    rate = s.rate_hz

    @cache
    def string(midi: int, length_s: float) -> Buffer:
        left, right = (
            strings.plucked(midi, length_s, rate, s.rng(f"string {midi} {side}"), ring_s=3.0, brightness=0.8)
            for side in "lr"
        )
        return wide(left, right, 0.5)

    @cache
    def lead(midi: int, length_s: float) -> Buffer:
        note = strings.plucked(midi, length_s + 0.25, rate, s.rng(f"lead {midi}"), ring_s=3.5, brightness=1.0)
        return kept(note)

    @cache
    def bass(midi: int, length_s: float) -> Buffer:
        return kept(strings.bass_string(midi, length_s, rate, pressed=0.5))

    @cache
    def shaker(take: int) -> Buffer:
        return kept(drums.shaker(rate, s.rng("shaker", take)))

    @cache
    def frame(take: int) -> Buffer:
        return kept(drums.frame_drum(rate, s.rng("frame", take), low_hz=78.0))

    for bar, step, at_s, gain_db in s.steps("picked"):
        order = (0, 2, 1, 3, 2, 1, 3, 2)[step // 2]
        midi = s.song.root_midi + bar.chord[order]
        s.put("picked", string(midi, 6.0 * s.form.step_s), at_s, gain_db, stem="music")
    for number, tone in enumerate(s.song.chords[0]):
        s.put("picked", string(s.song.root_midi + tone, 2.1), s.form.end_s + 0.025 * number, -2.0, stem="music")
    s.strike("shaker", shaker, pan=0.4)
    s.strike("frame", frame, pan=-0.1)
    s.bass_line("bass", bass, 33)
    s.sing("lead", lead, 62, lift=2)
    s.pickup("picked", [string(s.song.root_midi + tone, s.form.beat_s) for tone in (7, 9)], stem="music")
    compress(s.desk.stem("music"), rate, threshold=0.2, ratio=3.0)
    compress(s.desk.stem("lead"), rate, threshold=0.18, ratio=3.0)
