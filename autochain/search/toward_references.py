"""What a mix has beside the engineer's references: tone moves with their reason, and figures side by side."""

from collections.abc import Sequence
from pathlib import Path

from autochain.audio.files import read_mix
from autochain.audio.mix import Mix
from autochain.measure.measurement import Measurement
from autochain.note import Note
from autochain.prepare.corrective import BELL, LOW_SHELF
from autochain.prepare.references import Profile, Reference, common, profile
from autochain.prepare.tone import Tone, ToneMove, find_tone_moves
from autochain.units import frequency, number

_WORTH_A_WORD_DB = 0.7  # of what the moves leave; common practice, no source

# Beyond these a figure is worth a word; common practice, no source.
_FIGURES = (
    ("loudness", "integrated_lufs", "LUFS"),
    ("median PSR", "psr_median_db", "dB"),
    ("side against mid", "side_to_mid_db", "dB"),
)


def read_references(paths: Sequence[Path]) -> tuple[Reference, ...]:
    """Read and measure references; AudioFileError for one that cannot be read."""
    found = []
    for path in paths:
        mix = read_mix(path)
        found.append(Reference(file=mix.file, sha256=mix.sha256, profile=profile(mix.samples, mix.rate_hz)))
    return tuple(found)


def tone_moves(
    mix: Mix, before: Measurement, references: Sequence[Reference], most_db: float, most_alike_db: float | None = None
) -> tuple[tuple[ToneMove, ...], tuple[Note, ...]]:
    """Moves toward the references and the notes that go with them; nothing without references.

    Limits as of `find_tone_moves`.
    """
    if not references:
        return (), ()
    own = profile(mix.samples, mix.rate_hz, before)
    tone = find_tone_moves(own, common([r.profile for r in references]), most_db, most_alike_db)
    return tone.moves, (_beside(own, references), _tone_note(tone, len(references)))


def _tone_note(tone: Tone, references: int) -> Note:
    """What is moved; where nothing is, or not all, why."""
    theirs = "the reference has" if references == 1 else "the references have"
    broad = f"{number(abs(tone.difference_db), 'dB')} {'more' if tone.difference_db > 0.0 else 'less'}"
    said = f"Around {frequency(tone.at_hz)} {theirs} {broad} than the mix."
    uneven = (
        f"The difference is uneven from band to band, by {number(tone.uneven_db, 'dB')}, as between different songs."
        if not tone.alike
        else "The difference is smooth over frequency, so "
        f"{'the reference is' if references == 1 else 'the references are'} taken for another version of this song."
    )
    if not tone.moves:
        if abs(tone.difference_db) < 1.0:
            why = f"No broad difference reaches 1 dB; the largest is {number(abs(tone.difference_db), 'dB')}."
        elif tone.beyond_db < 1.0 and tone.alike:
            why = f"{said} They differ as much among themselves."
        elif tone.beyond_db < 1.0:
            why = f"{said} {uneven} Such a difference may be the songs', not the mix's."
        else:
            why = f"{said} No broad move within {number(tone.most_db, 'dB')} takes enough of it away."
        return Note(code="tone_left", text=f"Tone is not moved. {why}", suggestion="Judge the tone by ear.")
    rest = ""
    if abs(tone.left_db) >= _WORTH_A_WORD_DB:
        rest = (
            f" All moves together may reach {number(tone.most_db, 'dB')} at most; {number(abs(tone.left_db), 'dB')} of "
            f"difference are left around {frequency(tone.left_hz)}."
        )
    elif not tone.alike:
        rest = " The moves stop where the rest may be the songs', not the mix's."
    left = "is better done in" if tone.alike else "may come from the songs, not from"
    return Note(
        code="tone",
        text=f"{said} {uneven} Suggested: {'; '.join(map(_move_text, tone.moves))}.{rest}",
        suggestion="These are broad and small on purpose; keep only what you prefer at equal loudness."
        + (f" What is left {left} the mix." if rest else ""),
    )


def _move_text(move: ToneMove) -> str:
    shape = "bell" if move.kind == BELL else "low shelf" if move.kind == LOW_SHELF else "high shelf"
    where = "" if move.channel == "stereo" else f" on the {move.channel}"
    return f"{number(move.gain_db, 'dB', signed=True)} {shape} at {number(move.freq_hz, 'Hz', 0)}{where}"


def _beside(own: Profile, references: Sequence[Reference]) -> Note:
    parts = []
    for label, name, unit in _FIGURES:
        values = [v for v in (getattr(r.profile.figures, name) for r in references) if v is not None]
        if values:
            parts.append(f"{label} {number(getattr(own.figures, name), unit)}, theirs {_span(values, unit)}")
    lows = [r.profile.low_end_db for r in references]
    parts.append(f"energy below 120 Hz {number(own.low_end_db, 'dB')} of the whole, theirs {_span(lows, 'dB')}")
    loud = [v for v in (r.profile.figures.integrated_lufs for r in references) if v is not None]
    count = "one reference" if len(references) == 1 else f"{len(references)} references"
    names = ", ".join(r.file for r in references)
    like = "" if len(loud) == 1 else " as their mean"
    return Note(
        code="references",
        text=f"Compared with {count} ({names}): {'; '.join(parts)}.",
        suggestion=f"To be as loud{like}: --lufs {sum(loud) / len(loud):.1f}." if loud else "",
    )


def _span(values: Sequence[float], unit: str) -> str:
    low, high = number(min(values)), number(max(values), unit)
    return high if number(min(values), unit) == high else f"{low} to {high}"
