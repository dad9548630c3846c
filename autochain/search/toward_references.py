"""What a mix has beside the engineer's references: tone moves with their reason, and figures side by side."""

from collections.abc import Sequence
from pathlib import Path

from autochain.audio.files import read_mix
from autochain.audio.mix import Mix
from autochain.measure.measurement import Measurement
from autochain.prepare.corrective import BELL, LOW_SHELF
from autochain.prepare.references import Profile, Reference, common, profile
from autochain.prepare.tone import ToneMove, find_tone_moves, outside_db
from autochain.search.result import Note
from autochain.units import number

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
    mix: Mix, before: Measurement, references: Sequence[Reference], most_db: float
) -> tuple[tuple[ToneMove, ...], tuple[Note, ...]]:
    """Moves toward the references and the notes that go with them; nothing without references."""
    if not references:
        return (), ()
    own = profile(mix.samples, mix.rate_hz, before)
    target = common([r.profile for r in references])
    moves = find_tone_moves(own, target, most_db)
    notes = [_beside(own, references)]
    if moves:
        outside = outside_db(target.mid_db - own.mid_db, target.mid_spread_db)
        notes.append(
            Note(
                code="tone",
                text="The balance of the mix lies outside the spread of the references, by "
                f"{number(outside, 'dB')} rms over the third octaves of the middle. "
                f"Suggested: {'; '.join(map(_move_text, moves))}.",
                suggestion="These are broad and small on purpose; keep only what you prefer at equal loudness.",
            )
        )
    return moves, tuple(notes)


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
    return Note(
        code="references",
        text=f"Beside {count} ({names}): {'; '.join(parts)}.",
        suggestion=f"As loud as they are would be --lufs {sum(loud) / len(loud):.1f}." if loud else "",
    )


def _span(values: Sequence[float], unit: str) -> str:
    low, high = number(min(values)), number(max(values), unit)
    return high if number(min(values), unit) == high else f"{low} to {high}"
