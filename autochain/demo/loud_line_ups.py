"""The three dense line-ups: who plays what, on which stem, and how single tracks are treated."""

from functools import cache

import numpy as np

from autochain.demo import drums, strings, sustained
from autochain.demo.desk import compress, duck, press
from autochain.demo.session import Session
from autochain.demo.tones import Buffer, filtered_note, kept, wide


def dense_rock(s: Session) -> None:
    """Two driven guitars left and right, bass, drums, a voice in the middle."""
    rate = s.rate_hz

    @cache
    def guitar(chord: tuple[int, ...], length_s: float, muted: bool) -> Buffer:
        midis = [s.song.root_midi + tone for tone in chord]
        takes = [
            strings.driven_chord(
                midis, length_s, rate, s.rng(f"guitar {side} {chord} {muted}"), drive=2.5 if muted else 4.0, muted=muted
            )
            for side in ("left", "right")
        ]
        return wide(takes[0], takes[1], 0.8)

    @cache
    def bass(midi: int, length_s: float) -> Buffer:
        return kept(strings.bass_string(midi, length_s, rate, pressed=1.5))

    @cache
    def lead(midi: int, length_s: float) -> Buffer:
        rng = s.rng(f"voice {midi} {length_s:.3f}")
        return kept(sustained.voice(midi, length_s, rate, rng, vowel=int(rng.integers(sustained.VOWELS))))

    @cache
    def kick(take: int) -> Buffer:
        return kept(drums.kick(rate, s.rng("kick", take), low_hz=52.0, sweep_hz=170.0, decay_s=0.32, click=0.5))

    @cache
    def snare(take: int) -> Buffer:
        return kept(drums.snare(rate, s.rng("snare", take), tune_hz=192.0, wires=0.8, decay_s=0.26))

    @cache
    def hat(take: int) -> Buffer:
        return kept(drums.hat(rate, s.rng("hat", take), decay_s=0.11))

    s.strike("kick", kick)
    s.strike("snare", snare)
    s.strike("hats", hat, pan=0.3)
    s.accent("crash", kept(drums.crash(rate, s.rng("crash"), decay_s=1.8)))
    s.bass_line("bass", bass, 28)
    s.hold("open", lambda chord, length_s: guitar(chord, length_s, False), 2.0)
    s.final("open", lambda chord, length_s: guitar(chord, length_s, False))
    for bar, step, at_s, gain_db in s.steps("muted"):
        s.put("muted", guitar(bar.chord, s.gap_s("muted", step), True), at_s, gain_db, stem="music")
    s.sing("lead", lead, 57, lift=3)
    s.pickup("snare", [snare(0), snare(1), snare(2)], stem="drums", gain_db=-9.0)
    press(s.desk.stem("drums"), 0.30)


def bass_heavy_electronic(s: Session) -> None:
    """Four-on-the-floor kick, a big bass that ducks under it, saw layers and an arpeggio."""
    rate = s.rate_hz

    @cache
    def pad(chord: tuple[int, ...], length_s: float) -> Buffer:
        midis = [s.song.root_midi + 12 + tone for tone in chord]
        rng = s.rng(f"pad {chord}")
        layer = sustained.saw_layer(
            midis, length_s, rate, rng, voices=3, detune_cents=14.0, corner_hz=7000.0, attack_s=0.02
        )
        return kept(filtered_note(layer, rate, "highpass", 160.0))

    @cache
    def bass(midi: int, length_s: float) -> Buffer:
        return kept(sustained.synth_bass(midi, length_s, rate))

    @cache
    def lead(midi: int, length_s: float) -> Buffer:
        rng = s.rng(f"lead {midi}")
        layer = sustained.saw_layer(
            [midi], length_s, rate, rng, voices=3, detune_cents=9.0, corner_hz=6000.0, attack_s=0.01
        )
        return kept(0.7 * layer + 0.6 * layer.mean(axis=1, keepdims=True))

    @cache
    def arp(midi: int, length_s: float) -> Buffer:
        return kept(sustained.synth_pluck(midi, length_s, rate, s.rng(f"arp {midi}")))

    @cache
    def kick(take: int) -> Buffer:
        return kept(drums.kick(rate, s.rng("kick"), low_hz=47.0, sweep_hz=210.0, decay_s=0.45, click=0.25))

    @cache
    def clap(take: int) -> Buffer:
        return kept(drums.clap(rate, s.rng("clap", take)))

    @cache
    def hat(take: int) -> Buffer:
        return kept(drums.hat(rate, s.rng("hat", take), decay_s=0.09))

    kicks = s.strike("kick", kick)
    s.strike("clap", clap)
    s.strike("hats", hat, pan=-0.2)
    s.accent("crash", kept(drums.crash(rate, s.rng("crash"), decay_s=2.0)))
    s.bass_line("bass", bass, 29)
    s.hold("pad", pad, 4.0)
    s.final("pad", pad)
    for bar, step, at_s, gain_db in s.steps("arp"):
        midi = s.song.root_midi + 24 + bar.chord[(step * 3 // 2) % len(bar.chord)] % 12
        s.put("arp", arp(midi, 1.6 * s.form.step_s), at_s, gain_db, stem="music")
    s.sing("lead", lead, 65)
    s.pickup("clap", [clap(0), clap(1)], stem="drums")
    duck(s.desk.stem("bass"), kicks, rate, depth_db=9.0, recover_s=0.9 * s.form.beat_s)
    duck(s.desk.stem("music"), kicks, rate, depth_db=4.0, recover_s=0.9 * s.form.beat_s)
    press(s.desk.stem("drums"), 0.28)
    compress(s.desk.stem("music"), rate, threshold=0.25, ratio=3.0)
    compress(s.desk.stem("lead"), rate, threshold=0.15, ratio=3.0)


def brass_led_asymmetric(s: Session) -> None:
    """A trumpet-like lead over drums, bass and clipped chords; lower brass answers in the loud parts."""
    rate = s.rate_hz

    @cache
    def trumpet(midi: int, length_s: float) -> Buffer:
        rng = s.rng(f"trumpet {midi} {length_s:.3f}")
        return kept(sustained.brass(midi, length_s, rate, rng, force=1.0, dispersion=0.07))

    @cache
    def answer(midi: int, length_s: float) -> Buffer:
        rng = s.rng(f"answer {midi} {length_s:.3f}")
        return kept(sustained.brass(midi, length_s, rate, rng, force=0.7, dispersion=0.25))

    @cache
    def organ(chord: tuple[int, ...], length_s: float) -> Buffer:
        midis = [s.song.root_midi + tone for tone in chord[1:]]
        layer = sustained.saw_layer(
            midis, length_s, rate, s.rng(f"organ {chord}"), voices=2, detune_cents=6.0, corner_hz=4000.0, attack_s=0.03
        )
        return kept(layer)

    @cache
    def keys(chord: tuple[int, ...], length_s: float) -> Buffer:
        midis = [s.song.root_midi + tone for tone in chord[1:]]
        sides = [
            sum(strings.hammered(midi, length_s, rate, s.rng(f"keys {side} {midi}")) for midi in midis)
            for side in ("left", "right")
        ]
        return wide(np.asarray(sides[0]) * 0.5, np.asarray(sides[1]) * 0.5, 0.7)

    @cache
    def bass(midi: int, length_s: float) -> Buffer:
        return kept(strings.bass_string(midi, length_s, rate, pressed=1.0))

    @cache
    def kick(take: int) -> Buffer:
        return kept(drums.kick(rate, s.rng("kick", take), low_hz=56.0, sweep_hz=140.0, decay_s=0.30, click=0.3))

    @cache
    def snare(take: int) -> Buffer:
        return kept(drums.snare(rate, s.rng("snare", take), tune_hz=205.0, wires=0.6, decay_s=0.2))

    @cache
    def hat(take: int) -> Buffer:
        return kept(drums.hat(rate, s.rng("hat", take), decay_s=0.08))

    s.strike("kick", kick)
    s.strike("snare", snare)
    s.strike("hats", hat, pan=0.35)
    s.accent("crash", kept(drums.crash(rate, s.rng("crash"), decay_s=1.8)))
    s.bass_line("bass", bass, 29)
    for bar, _step, at_s, gain_db in s.steps("keys"):
        s.put("keys", keys(bar.chord, 1.5 * s.form.step_s), at_s, gain_db, stem="music")
    s.final("keys", keys)
    s.hold("organ", organ, 4.0)
    s.final("organ", organ)
    s.sing("lead", trumpet, 60, lift=3)
    for bar, _step, at_s, gain_db in s.steps("section"):
        for number, tone in enumerate(bar.chord[1:]):
            note = answer(s.song.root_midi + tone, 2.2 * s.form.step_s)
            s.put("section", note, at_s, gain_db, stem="music", pan=(-0.7, 0.7, 0.3)[number % 3])
    s.pickup("lead", [trumpet(midi, 0.45 * s.form.beat_s) for midi in (62, 65)], stem="lead")
    press(s.desk.stem("drums"), 0.22)
    compress(s.desk.stem("music"), rate, threshold=0.14, ratio=4.0)
    compress(s.desk.stem("lead"), rate, threshold=0.17, ratio=3.0)
