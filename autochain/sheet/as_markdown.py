"""The sheet as Markdown: result first, then what to set, where to listen, what it costs."""

from collections.abc import Iterable

from autochain.chain.chain import STAGES
from autochain.search.baselines import BASELINE_WORDS
from autochain.sheet.faults import shown_faults
from autochain.sheet.findings import HEADING, VERDICTS, kinds, listed
from autochain.sheet.model import Baseline, Figures, NoteEntry, Sheet, StageEntry
from autochain.sheet.moves import moves_section, wanted
from autochain.sheet.neighbours import neighbours_section
from autochain.sheet.settings import setting_text, shown_settings, value_text
from autochain.sheet.tables import plain, table
from autochain.sheet.words import (
    BASELINES,
    CAUTION,
    COST_COLUMNS,
    COSTS,
    FIGURES,
    TIME_CONSTANTS,
    TIMES,
    TRIM,
    WHAT_MATTERS,
)
from autochain.solve.excerpts import BY_LOUDNESS
from autochain.units import clock, number

AS_USUAL = "Left at default:"
SET, SET_NEAREST = "What to set", "The nearest settings found"
_OF_A_MISS = ("target_missed", "mix_too_dense", "mix_too_quiet")


def _meter(entry: StageEntry) -> str:
    reduction = entry.reduction_db
    if reduction is None:
        return "–"
    word = "adds" if reduction.max < 0.0 else "takes"
    typical, most = number(abs(reduction.typical)), number(abs(reduction.max), "dB")
    return f"{word} {typical}, at most {most} at {clock(reduction.max_at_s)}"


def _settings(entry: StageEntry, *, quiet: bool) -> Iterable[str]:
    return (setting_text(parameter, value) for parameter, value in shown_settings(entry, quiet=quiet))


def _usual(sheet: Sheet) -> str:
    """One sentence with every setting that stands where it usually does."""
    parts = [(STAGES[e.stage].label, ", ".join(_settings(e, quiet=True))) for e in sheet.stages]
    listed = "; ".join(f"{label}: {texts}" for label, texts in parts if texts)
    return f"{AS_USUAL} {listed}." if listed else ""


def _at_full_scale(entry: StageEntry) -> str:
    """What to set where the stage cannot go over 0 dBFS: the same curve, with gains around it."""
    same = entry.at_full_scale
    assert same is not None
    shown = [(p, v) for p, v in shown_settings(entry, quiet=False) if p.name != "ceiling_dbfs"]
    drive = "" if same.drive_gain_db is None else f" (or the drive at {number(same.drive_gain_db, 'dB')})"
    parts = [
        f"input gain {number(same.input_gain_db, 'dB', signed=True)}{drive}",
        f"ceiling {number(same.ceiling_dbfs, 'dBFS')}",
        *(setting_text(parameter, value) for parameter, value in shown),
        f"output gain {number(same.output_gain_db, 'dB', signed=True)}",
    ]
    return "; ".join(parts)


def _stage_rows(sheet: Sheet) -> Iterable[list[str]]:
    for place, entry in enumerate(sheet.stages, 1):
        stage = STAGES[entry.stage]
        yield [
            str(place),
            stage.label,
            "; ".join(_settings(entry, quiet=False)) or "as listed below",
            _meter(entry),
            f"{number(entry.input.peak_dbfs)} dBFS peak, {number(entry.input.short_term_lufs)} LUFS",
            number(entry.trim_db, "dB", signed=True),
        ]
        if entry.at_full_scale is not None:
            yield ["", f"{stage.label} that stops at 0 dBFS", _at_full_scale(entry), "as above", "", "as above"]


def _loudness(figures: Figures) -> str:
    """Both loudnesses and the peak: the song's alone says little of a song with one loud part."""
    loudest, peak = number(figures.max_short_term_lufs), number(figures.true_peak_dbtp, "dBTP")
    return f"{number(figures.integrated_lufs, 'LUFS')}, {loudest} in the loudest 3 s, at {peak}"


def _result(sheet: Sheet) -> list[str]:
    after, before = sheet.after, sheet.before
    verdict = "Target reached:" if sheet.met else "Target NOT reached; the nearest is"
    want = f"{wanted(sheet.target)} under {number(sheet.target.ceiling_dbtp, 'dBTP')}"
    return [
        f"**{verdict} {_loudness(after)}** (wanted {want}; the mix has {_loudness(before)}).",
        "",
        *(line for note in _why_missed(sheet) for line in (f"{note.text} **{note.suggestion}**", "")),
        f"It costs {number(sheet.costs.crest_loss_db, 'dB')} of crest, added distortion at "
        f"{number(sheet.costs.added_distortion_nmr_db, 'dB')} noise-to-mask and "
        f"{number(sheet.costs.gain_movement_db, 'dB')} of gain movement. {_scores(sheet)}",
        "",
        _readiness(sheet),
    ]


def _readiness(sheet: Sheet) -> str:
    """The verdict of the check in one line; its reasons stand further down."""
    found = sheet.readiness.findings
    reasons = [finding for finding in found if finding.sends_back] or found
    if sheet.readiness.verdict == "revisit":
        return f"**First go back to the mix: {kinds(reasons)}.** A master makes it no better; see “{HEADING}”."
    return f"Mix: {VERDICTS[sheet.readiness.verdict]}{f': {kinds(reasons)}' if reasons else ''}."


def _findings(sheet: Sheet) -> list[str]:
    if not sheet.readiness.findings:
        return []
    return [f"## {HEADING}", "", *listed(sheet.readiness.findings)]


def _why_missed(sheet: Sheet) -> list[NoteEntry]:
    """What stood in the way of the target, and what to change."""
    return [] if sheet.met else [note for note in sheet.notes if note.code in _OF_A_MISS]


def set_heading(sheet: Sheet) -> str:
    """Over the table of settings: those that miss the target are nothing to dial."""
    return SET if sheet.met else SET_NEAREST


def _scores(sheet: Sheet) -> str:
    """The scores of what reached the target; what missed it by a LU has a lower score for no merit of its own."""
    if not sheet.met:
        return "Scores do not compare here, since the target was missed."
    others = (
        f"; {BASELINE_WORDS[name]} {number(b.score, decimals=2)}"
        if b.met
        else f"; {BASELINE_WORDS[name]} misses it at {number(_heard(sheet, b), 'LUFS')}"
        for name, b in sheet.baselines.items()
    )
    return f"Score {number(sheet.costs.score, decimals=2)} (lower is better){''.join(others)}."


def _heard(sheet: Sheet, figures: Figures | Baseline) -> float | None:
    """The loudness that the target means."""
    return figures.integrated_lufs if sheet.target.loudest_part_lufs is None else figures.max_short_term_lufs


def _listen(sheet: Sheet) -> Iterable[str]:
    for entry in sheet.stages:
        if entry.listen_for:
            times = " and ".join(clock(t) for t in entry.cues_s)
            yield f"- {times} – {STAGES[entry.stage].label}: {'; '.join(entry.listen_for)}."


def _cost_rows(sheet: Sheet) -> Iterable[list[str]]:
    for name, (label, unit, decimals, meaning) in COSTS.items():
        others = [number(getattr(b, name), decimals=decimals) for b in sheet.baselines.values()]
        own = number(getattr(sheet.costs, name), decimals=decimals)
        weight = number(sheet.weights[name], decimals=2) if sheet.weights[name] else "guard"
        share = number(sheet.contributions[name], decimals=2)
        spread = sheet.search.spread.get(name)
        moved = "–" if spread is None else f"{number(spread.low)} to {number(spread.high)}"
        yield [f"{label}, {unit}", own, *others, weight, share, moved, meaning]
    # What missed the target was weighed at another loudness, which is not better or worse for it.
    scores = [number(b.score if b.met else None, decimals=2) for b in sheet.baselines.values()]
    own = number(sheet.costs.score if sheet.met else None, decimals=2)
    yield ["**score**", own, *scores, "", own, "", "weighted sum at exactly the target; lower is better"]
    reached = [number(_heard(sheet, b)) for b in sheet.baselines.values()]
    which = "loudness" if sheet.target.loudest_part_lufs is None else "loudest 3 s"
    yield [f"{which} reached, LUFS", number(_heard(sheet, sheet.after)), *reached, "", "", "", ""]


def _sensitivity_rows(sheet: Sheet) -> Iterable[list[str]]:
    for found in sheet.sensitivity:
        stage = STAGES[found.stage]
        parameter = stage.parameter(found.parameter)
        low, high = (None if end is None else value_text(parameter, end) for end in (found.low, found.high))
        if low is None:
            room = "anywhere in its range" if high is None else f"down to the end of its range, up to {high}"
        else:
            room = f"{low} to {high}" if high else f"down to {low}, up to the end of its range"
        yield [
            f"{stage.label}: {parameter.label}",
            value_text(parameter, found.value),
            room,
            f"{number(found.score_change, decimals=2, signed=True)} at {value_text(parameter, found.step_to)}",
            found.listen_for,
        ]


def _sensitivity(sheet: Sheet) -> list[str]:
    if not sheet.sensitivity:
        return []
    return [
        "## What matters most here",
        "",
        *table(["setting", "set", "may move", "one step", "while moving it"], _sensitivity_rows(sheet)),
        "",
        f"{WHAT_MATTERS} {number(sheet.search.sensitivity_score, decimals=2)}.",
        "",
    ]


def _figure_rows(sheet: Sheet) -> Iterable[list[str]]:
    for name, label, unit, decimals in FIGURES:
        yield [label, *(number(getattr(side, name), unit, decimals) for side in (sheet.before, sheet.after))]
    sides = [side.as_dict() for side in (sheet.before, sheet.after)]
    for name, label, unit, decimals, signed in shown_faults(sides, sheet.readiness.limits):
        yield [label, *(number(side[name], unit, decimals, signed=signed) for side in sides)]


def _as_locked(value: float | str) -> str:
    """A lock as it is given on the command line, to the last digit; a choice by its word."""
    return value if isinstance(value, str) else f"{value:.15g}"


def to_markdown(sheet: Sheet) -> str:
    """Return the sheet as Markdown text with a final newline."""
    request = sheet.provenance.request
    versions = ", ".join(f"{name} {text}" for name, text in sheet.provenance.versions.items())
    ordered = sorted(sheet.search.excerpts, key=lambda excerpt: excerpt.reason)  # each begins with its place
    excerpts = ", ".join(clock(e.start_s) for e in ordered)
    locks = ", ".join(f"{name}={_as_locked(value)}" for name, value in request.locks.items()) or "none"
    references = ", ".join(f"{plain(file)} {sha256[:12]}" for file, sha256 in request.references.items())
    heads = [BASELINE_WORDS[name] for name in sheet.baselines]
    notes = [note for note in sheet.notes if note not in _why_missed(sheet)]
    lines = [
        f"# Master settings: {plain(sheet.mix.file)}",
        "",
        *_result(sheet),
        "",
        f"## {set_heading(sheet)}",
        "",
        *([] if sheet.met else ["They miss the target: look at what was said above before you dial them.", ""]),
        *table(
            ["#", "stage", "set", "meter in loud parts", "input in the loudest part", "trim"],
            _stage_rows(sheet),
        ),
        "",
        f"{TRIM} {TIME_CONSTANTS}",
        *([_usual(sheet)] if _usual(sheet) else []),
        "",
        "## Where to listen",
        "",
        TIMES,
        "",
        *_listen(sheet),
        "",
        *_sensitivity(sheet),
        *(["## Notes", ""] if notes else []),
        *(f"- {note.text} {note.suggestion}" for note in notes),
        *([""] if notes else []),
        *_findings(sheet),
        *moves_section(sheet),
        "## What it costs",
        "",
        *table(["cost", "suggestion", *heads, "weight", "in score", "trials", "meaning"], _cost_rows(sheet)),
        "",
        COST_COLUMNS,
        *([BASELINES] if sheet.baselines else []),
        "",
        *(neighbours_section(sheet) if sheet.met else []),
        "## Before and after",
        "",
        *table(
            ["figure", "mix", "master"],
            _figure_rows(sheet),
        ),
        "",
        "## What reproduces it",
        "",
        f"Target {wanted(request)}, ceiling {number(request.ceiling_dbtp, 'dBTP')}, seed {request.seed}, "
        f"budget {request.budget} in batches of {request.batch}, locks {locks}, "
        f"left out {', '.join(request.without) or 'none'}, config {request.config_sha256[:12]}"
        + (f", around the sheet {sheet.around.sha256[:12]}" if sheet.around else "")
        + (f", references {references}." if references else "."),
        f"Mix {sheet.mix.sha256[:12]}, {number(sheet.mix.duration_s, 's')}, {sheet.mix.rate_hz} Hz, "
        f"{'mono' if sheet.mix.channels == 1 else 'stereo'}, {sheet.mix.subtype}.",
        f"{sheet.search.trials} trials: {sheet.search.trials_on_target} on target, "
        f"{sheet.search.trials_cut_short} cut short after one excerpt"
        + (f"; judged on excerpts{BY_LOUDNESS if len(ordered) > 1 else ''} at {excerpts}" if excerpts else "")
        + f". {versions}.",
        "",
        f"*{CAUTION}*",
    ]
    return "\n".join(lines) + "\n"
