"""The sheet as a report: result first, then what to set, where to listen, what it costs; one function a section."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from autochain.chain.chain import STAGES
from autochain.chain.settings import CLIPPER, LIMITER
from autochain.config.coordinates import COMPRESSORS
from autochain.document.as_markdown import markdown
from autochain.document.blocks import (
    Block,
    Code,
    FileName,
    Heading,
    Inline,
    Line,
    Link,
    Listed,
    Paragraph,
    Part,
    Soft,
    Strong,
    Time,
    contents,
    fold,
    table,
)
from autochain.search.baselines import BASELINE_WORDS, TRADE_DEFAULT
from autochain.search.costs import FLOOR_NMR_DB
from autochain.search.strangers import STRANGERS
from autochain.sheet.faults import shown_faults
from autochain.sheet.findings import HEADING, VERDICTS, kinds, listed
from autochain.sheet.model import Baseline, Figures, NoteEntry, Request, Sheet, StageEntry, TargetFacts
from autochain.sheet.neighbours import neighbour_blocks
from autochain.sheet.on_tools import tools_told, with_tools
from autochain.sheet.settings import lock_names, setting_text, shown_settings, value_text
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

LEFT_AT_DEFAULT = "Left at default:"
TO_LOCK = "Names to lock by:"
_OF_A_MISS = ("target_missed", "mix_too_dense", "mix_too_quiet")
_FINDINGS = Heading(HEADING, mark="findings")
_RUN_UP_S = 1.0  # played before a time at which a meter shows its most


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """What a page shows and plays beside the words.

    Attributes
    ----------
    player
        What plays, at the top.
    song
        The song in pictures.
    sound
        Pictures of what became of the sound.
    findings
        What the check found, with pictures and sound, in place of the list in words.
    """

    player: Sequence[Block] = ()
    song: Sequence[Block] = ()
    sound: Sequence[Block] = ()
    findings: Sequence[Block] = ()


def to_markdown(sheet: Sheet) -> str:
    """Return the sheet as Markdown text with a final newline."""
    return markdown(report(sheet))


def report(sheet: Sheet, shown: Shown | None = None) -> list[Block]:
    """All of it; with `shown` as a page has it: what is read, set and heard first in sight, the rest folded."""
    title = Heading(("Master settings: ", FileName(sheet.mix.file)), 1)
    if shown is None:
        sections = [block for section in _sections(sheet) for block in section]
        return [title, *_result(sheet), *_chain(sheet), *_about_the_chain(sheet), *sections, Paragraph(Soft(CAUTION))]
    first = [
        Part([*_result(sheet), *_chain(sheet)], role="told"),
        *shown.player,
        Part(shown.song, role="seen"),
    ]
    about = [Heading("How to set it", mark="how"), *_about_the_chain(sheet)]
    back = sheet.readiness.verdict == "revisit"
    folded = [
        block
        for section in (about, *_sections(sheet, shown))
        for block in fold(section, opened=back and section[:1] == [_FINDINGS])
    ]
    return [title, Part(first, role="first"), contents(folded), *folded, Paragraph(Soft(CAUTION))]


def _sections(sheet: Sheet, shown: Shown | None = None) -> Iterator[list[Block]]:
    """What follows the chain, each section with its heading first; some are empty."""
    shown = shown or Shown()
    yield [*_listen(sheet)]
    yield [*shown.sound]
    yield [*_sensitivity(sheet)]
    yield [*_notes(sheet)]
    yield [*_findings(sheet, shown.findings)]
    yield [*_moves(sheet)]
    yield [*_costs(sheet)]
    yield [*neighbour_blocks(sheet)] if sheet.met else []
    yield [*_figures(sheet)]
    yield [*_provenance(sheet)]


def wanted(target: TargetFacts | Request) -> str:
    """The loudness that is wanted, and of what."""
    if target.loudest_part_lufs is not None:
        return f"{number(target.loudest_part_lufs, 'LUFS')} in the loudest 3 s"
    return number(target.lufs, "LUFS")


def _result(sheet: Sheet) -> Iterator[Block]:
    after, before = sheet.after, sheet.before
    verdict = "Target reached:" if sheet.met else "Target NOT reached; the nearest is"
    want = f"{wanted(sheet.target)} under {number(sheet.target.ceiling_dbtp, 'dBTP')}"
    told: list[Line] = [
        (Strong(f"{verdict} {_loudness(after)}"), f" (wanted {want}; the mix has {_loudness(before)})."),
        *((f"{note.text} ", Strong(note.suggestion)) for note in _why_missed(sheet)),
        f"{_price(sheet)} {_scores(sheet)}",
        _readiness(sheet),
    ]
    yield Part([Paragraph(line) for line in told], role="lead")


def _loudness(figures: Figures) -> str:
    """Both loudnesses and the peak: the song's alone says little of a song with one loud part."""
    loudest, peak = number(figures.max_short_term_lufs), number(figures.true_peak_dbtp, "dBTP")
    return f"{number(figures.integrated_lufs, 'LUFS')}, {loudest} in the loudest 3 s, at {peak}"


def _price(sheet: Sheet) -> str:
    """Crest, distortion and movement in words; a gain alone has none of them."""
    costs = sheet.costs
    nmr_db = costs.added_distortion_nmr_db
    noise = "no distortion added"
    if nmr_db > FLOOR_NMR_DB:
        noise = f"distortion added at {number(nmr_db, 'dB')} noise-to-mask (about 0 dB is just audible)"
    crest, moved = number(costs.crest_loss_db, "dB"), number(costs.gain_movement_db, "dB")
    return f"Price: {crest} of crest lost; {noise}; {moved} of gain movement."


def _why_missed(sheet: Sheet) -> list[NoteEntry]:
    """What stood in the way of the target, and what to change."""
    return [] if sheet.met else [note for note in sheet.notes if note.code in _OF_A_MISS]


def _scores(sheet: Sheet) -> str:
    """The scores of what reached the target; what missed it by a LU has a lower score for no merit of its own."""
    if not sheet.met:
        return "Scores do not compare here, since the target was missed."
    names = {**BASELINE_WORDS, TRADE_DEFAULT: f"{BASELINE_WORDS[TRADE_DEFAULT]} (every stage at usual settings)"}
    others = (
        f"; {names[name]} {number(b.score, decimals=2)}"
        if b.met
        else f"; {names[name]} misses it at {number(_heard(sheet, b), 'LUFS')}"
        for name, b in sheet.baselines.items()
    )
    return f"Score {number(sheet.costs.score, decimals=2)} (lower is better){''.join(others)}."


def _heard(sheet: Sheet, figures: Figures | Baseline) -> float | None:
    """The loudness that the target means."""
    return figures.integrated_lufs if sheet.target.loudest_part_lufs is None else figures.max_short_term_lufs


def _readiness(sheet: Sheet) -> Line:
    """The verdict of the check in one line; its reasons stand further down."""
    found = sheet.readiness.findings
    reasons = kinds([finding for finding in found if finding.sends_back] or found)
    if sheet.readiness.verdict == "revisit":
        first = Strong(f"First go back to the mix: {reasons}.")
        return first, " A master makes it no better; see “", Link(HEADING, "#findings"), "”."
    verdict = f"Mix: {VERDICTS[sheet.readiness.verdict]}"
    return (f"{verdict}: ", Link(reasons, "#findings"), ".") if reasons else f"{verdict}."


def _chain(sheet: Sheet) -> Iterator[Block]:
    yield Heading("What to set" if sheet.met else "The nearest settings found", mark="settings")
    if not sheet.met:
        yield Paragraph("They miss the target. The top of the sheet says why; read it before you dial them.")
    head = ["#", "stage", "set", "meter in loud parts", "input in the loudest part", "trim"]
    rows = list(_stage_rows(sheet))
    if sheet.on_tools is not None:
        head, rows = with_tools(sheet, head, rows)
    yield table(head, rows, role="set")
    if sheet.on_tools is not None:
        yield Paragraph(tools_told(sheet.on_tools))


def _about_the_chain(sheet: Sheet) -> Iterator[Block]:
    yield Paragraph("\n".join(filter(None, (f"{TRIM} {TIME_CONSTANTS}", _other_hands(sheet), _left_at_default(sheet)))))
    yield Paragraph(_to_lock(sheet), role="names")


def _stage_rows(sheet: Sheet) -> Iterator[list[Line]]:
    for place, entry in enumerate(sheet.stages, 1):
        stage = STAGES[entry.stage]
        yield [
            str(place),
            stage.label,
            "; ".join(_texts(entry, quiet=False)) or "as listed below",
            _meter(entry),
            f"{number(entry.input.peak_dbfs)} dBFS peak, {number(entry.input.short_term_lufs)} LUFS",
            number(entry.trim_db, "dB", signed=True),
        ]
        if entry.at_full_scale is not None:
            yield ["", f"{stage.label} that stops at 0 dBFS", _at_full_scale(entry), "as above", "", "as above"]


def _texts(entry: StageEntry, *, quiet: bool) -> Iterator[str]:
    return (setting_text(parameter, value) for parameter, value in shown_settings(entry, quiet=quiet))


def _meter(entry: StageEntry) -> Line:
    reduction = entry.reduction_db
    if reduction is None:
        return "–"
    word = "adds" if reduction.max < 0.0 else "takes"
    typical, most = number(abs(reduction.typical)), number(abs(reduction.max), "dB")
    at = Time(clock(reduction.max_at_s), max(0.0, reduction.max_at_s - _RUN_UP_S))
    return f"{word} {typical}, at most {most} at ", at


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


def _other_hands(sheet: Sheet) -> str:
    """One sentence on what the settings cost at most on other tools."""
    if not sheet.other_hands:
        return ""
    worst = max(sheet.other_hands, key=lambda name: _cost_there(sheet, name))
    words = next(stranger.words for stranger in STRANGERS if stranger.name == worst)
    cost = _cost_there(sheet, worst)
    if cost == math.inf:
        return f"With {words} these settings do not reach the loudness."
    stages = {entry.stage for entry in sheet.stages}
    kinds = {"compressors": COMPRESSORS, "clippers": (CLIPPER,), "limiters": (LIMITER,)}
    tools = _and([kind for kind, names in kinds.items() if stages.intersection(names)])
    more = number(cost, decimals=1)
    if cost < 0.05:
        return f"With other {tools} the same settings cost no more."
    return f"With other {tools} the same settings cost up to {more} points more; most with {words}."


def _and(words: Sequence[str]) -> str:
    return " and ".join(filter(None, (", ".join(words[:-1]), words[-1])))


def _cost_there(sheet: Sheet, name: str) -> float:
    change = sheet.other_hands[name]
    return math.inf if change is None else change


def _left_at_default(sheet: Sheet) -> str:
    """One sentence with every setting that stands where it usually does."""
    parts = [(STAGES[e.stage].label, ", ".join(_texts(e, quiet=True))) for e in sheet.stages]
    told = "; ".join(f"{label}: {texts}" for label, texts in parts if texts)
    return f"{LEFT_AT_DEFAULT} {told}." if told else ""


def _to_lock(sheet: Sheet) -> Line:
    """The name of every setting on the command line, stage by stage."""
    names = {entry.stage: ", ".join(lock_names(entry)) for entry in sheet.stages}
    told = "; ".join(f"{stage}: {own}" for stage, own in names.items() if own)
    example = Code("--lock limiter.release_ms=120")
    return "To keep a setting in another search, lock it, as in ", example, f". {TO_LOCK} {told}."


def _listen(sheet: Sheet) -> Iterator[Block]:
    yield Heading("Where to listen", mark="times")
    yield Paragraph(TIMES, role="soft")
    yield Listed([_cue(entry) for entry in sheet.stages if entry.listen_for], role="cues")


def _cue(entry: StageEntry) -> Line:
    times = list[Inline]()
    for cue in entry.cues_s:
        times += [" and ", Time(clock(cue), cue)]
    return *times[1:], f" – {STAGES[entry.stage].label}: {'; '.join(entry.listen_for)}."


def _sensitivity(sheet: Sheet) -> Iterator[Block]:
    if sheet.sensitivity:
        yield Heading("What matters most here", mark="matters")
        head = ["setting", "to lock", "set", "may move", "score if moved one step", "while moving it"]
        yield table(head, _sensitivity_rows(sheet), role="matters")
        yield Paragraph(WHAT_MATTERS.format(worse_by=number(sheet.search.sensitivity_score, decimals=2)))


def _sensitivity_rows(sheet: Sheet) -> Iterator[list[Line]]:
    for found in sheet.sensitivity:
        stage = STAGES[found.stage]
        parameter = stage.parameter(found.parameter)
        low, high = (None if end is None else value_text(parameter, end) for end in (found.low, found.high))
        if low is None:
            room = "anywhere in its range" if high is None else f"bottom of its range to {high}"
        else:
            room = f"{low} to {high}" if high else f"{low} to top of its range"
        yield [
            f"{stage.label}: {parameter.label}",
            Code(f"{found.stage}.{found.parameter}"),
            value_text(parameter, found.value),
            room,
            f"{number(found.score_change, decimals=2, signed=True)} at {value_text(parameter, found.step_to)}",
            found.listen_for,
        ]


def _notes(sheet: Sheet) -> Iterator[Block]:
    notes = [note for note in sheet.notes if note not in _why_missed(sheet)]
    if notes:
        yield Heading("Notes", mark="notes")
        yield Listed([f"{note.text} {note.suggestion}" for note in notes])


def _findings(sheet: Sheet, shown: Sequence[Block]) -> Iterator[Block]:
    if sheet.readiness.findings:
        yield _FINDINGS
        yield from shown or listed(sheet.readiness.findings)


def _moves(sheet: Sheet) -> Iterator[Block]:
    """What another search near an earlier sheet left elsewhere, and what was asked for in another way."""
    around = sheet.around
    if around is None:
        return
    was = f"{wanted(around.target)} under {number(around.target.ceiling_dbtp, 'dBTP')}"
    target = "the target is the same" if around.target == sheet.target else f"the target was {was}"
    mix = "The mix is the same" if around.same_mix else "The mix is a different file"
    decided = ", ".join(f"{name}={_as_locked(value)}" for name, value in around.decided.items())
    locks = f"locked since: {decided}" if decided else "nothing was locked since"
    rows = list(_move_rows(sheet))
    yield Heading("What moved", mark="moved")
    yield Paragraph(("Searched again around ", FileName(around.sheet), f". {mix}, {target}, {locks}."))
    yield table(["stage", "setting", "was", "is now"], rows) if rows else Paragraph("No setting moved.")


def _move_rows(sheet: Sheet) -> Iterator[list[Line]]:
    for move in sheet.moved:
        stage = STAGES[move.stage]
        parameter = stage.parameter(move.parameter)
        there = [v for v in (move.was, move.now) if v is not None]
        if parameter.quiet and there == [parameter.default]:
            continue  # of a stage that came or went, what goes without saying
        texts = ("not in the chain" if v is None else value_text(parameter, v) for v in (move.was, move.now))
        yield [stage.label, parameter.label, *texts]


def _costs(sheet: Sheet) -> Iterator[Block]:
    yield Heading("What it costs", mark="costs")
    heads = [BASELINE_WORDS[name] for name in sheet.baselines]
    yield table(["cost", "suggestion", *heads, "weight", "in score", "trials", "meaning"], _cost_rows(sheet), "costs")
    yield Paragraph("\n".join([COST_COLUMNS, *([BASELINES] if sheet.baselines else [])]))


def _cost_rows(sheet: Sheet) -> Iterator[list[Line]]:
    for name, (label, unit, decimals, meaning) in COSTS.items():
        own, *others = (_cost(getattr(side, name), decimals) for side in (sheet.costs, *sheet.baselines.values()))
        weight = number(sheet.weights[name], decimals=2) if sheet.weights[name] else "not priced"
        share = number(sheet.contributions[name], decimals=2)
        spread = sheet.search.spread.get(name)
        moved = "–" if spread is None else f"{number(spread.low)} to {number(spread.high)}"
        yield [f"{label}, {unit}", own, *others, weight, share, moved, meaning]
    # What missed the target was weighed at another loudness, which is not better or worse for it.
    scores = [number(b.score if b.met else None, decimals=2) for b in sheet.baselines.values()]
    own = number(sheet.costs.score if sheet.met else None, decimals=2)
    yield [Strong("score"), own, *scores, "", own, "", "weighted sum at exactly the target; lower is better"]
    reached = [number(_heard(sheet, b)) for b in sheet.baselines.values()]
    which = "loudness" if sheet.target.loudest_part_lufs is None else "loudest 3 s"
    yield [f"{which} reached, LUFS", number(_heard(sheet, sheet.after)), *reached, "", "", "", ""]


def _cost(value: float, decimals: int) -> str:
    """A cost; distortion that is not there has no figure."""
    return "none" if value <= FLOOR_NMR_DB else number(value, decimals=decimals)


def _figures(sheet: Sheet) -> Iterator[Block]:
    rows = table(["figure", "mix", "master"], _figure_rows(sheet))
    yield Part([Heading("Before and after", mark="figures"), rows], role="narrow")


def _figure_rows(sheet: Sheet) -> Iterator[list[Line]]:
    for name, label, unit, decimals in FIGURES:
        yield [label, *(number(getattr(side, name), unit, decimals) for side in (sheet.before, sheet.after))]
    sides = [side.as_dict() for side in (sheet.before, sheet.after)]
    for name, label, unit, decimals, signed in shown_faults(sides, sheet.readiness.limits):
        yield [label, *(number(side[name], unit, decimals, signed=signed) for side in sides)]


def _provenance(sheet: Sheet) -> Iterator[Block]:
    request, search = sheet.provenance.request, sheet.search
    versions = ", ".join(f"{name} {text}" for name, text in sheet.provenance.versions.items())
    ordered = sorted(search.excerpts, key=lambda excerpt: excerpt.reason)  # each begins with its place
    excerpts = ", ".join(clock(e.start_s) for e in ordered)
    locks = ", ".join(f"{name}={_as_locked(value)}" for name, value in request.locks.items()) or "none"
    asked: list[Inline] = [
        f"Target {wanted(request)}, ceiling {number(request.ceiling_dbtp, 'dBTP')}, seed {request.seed}, "
        f"budget {request.budget} in batches of {request.batch}, locks {locks}, "
        f"left out {', '.join(request.without) or 'none'}, config {request.config_sha256[:12]}"
        + (f", around the sheet {sheet.around.sha256[:12]}" if sheet.around else "")
        + (f", weights from the choices {request.choices_sha256[:12]}" if request.choices_sha256 else "")
    ]
    for place, (file, sha256) in enumerate(request.references.items()):
        asked += [", " if place else ", references ", FileName(file), f" {sha256[:12]}"]
    yield Heading("To make this sheet again", mark="reproduces")
    yield Paragraph(
        (
            *asked,
            f".\nMix {sheet.mix.sha256[:12]}, {number(sheet.mix.duration_s, 's')}, {sheet.mix.rate_hz} Hz, "
            f"{'mono' if sheet.mix.channels == 1 else 'stereo'}, {sheet.mix.subtype}.\n"
            f"{search.trials} trials, {search.trials_on_target} on target"
            + (f"; judged on excerpts{BY_LOUDNESS if len(ordered) > 1 else ''} at {excerpts}" if excerpts else "")
            + f". {versions}.",
        )
    )


def _as_locked(value: float | str) -> str:
    """A lock as it is given on the command line, to the last digit; a choice by its word."""
    return value if isinstance(value, str) else f"{value:.15g}"
