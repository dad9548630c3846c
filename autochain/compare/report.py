"""A comparison as Markdown."""

from collections.abc import Callable, Iterable

from autochain.chain.chain import STAGES
from autochain.compare.description import Account
from autochain.compare.advice import Advice
from autochain.compare.bounce import AgainstPlan
from autochain.compare.comparison import Comparison
from autochain.compare.said import Said
from autochain.config import read_config
from autochain.sheet.faults import shown_faults
from autochain.sheet.tables import plain, table
from autochain.sheet.words import FIGURES
from autochain.units import clock, frequency, number

NOTHING = "Nothing that would be noticed in a comparison at equal loudness."
NOTHING_OFF = "No stage looks off."
LISTEN = (
    "These are changes; you decide whether they are wanted. Listen at a moderate level, and do not turn up for quiet "
    "places: what follows them may be loud."
)
DISTORTION = (
    "Added distortion is read from the two files alone. Behind an equaliser it may read several dB above a sheet's "
    "figure, most under 200 Hz, where the sheet knows the equaliser and this comparison has to estimate it."
)
PLAN_FIGURES = (
    ("integrated_lufs", "integrated loudness", "LUFS"),
    ("max_short_term_lufs", "loudest short-term", "LUFS"),
    ("true_peak_dbtp", "true peak", "dBTP"),
    ("plr_db", "peak to loudness (PLR)", "dB"),
    ("asymmetry_db", "waveform asymmetry", "dB"),
)
PLAN_CHANGES: tuple[tuple[str, Callable[[Comparison], float | None]], ...] = (
    ("edge of hits, changed by", lambda found: found.onset_change_db),
    ("crest lost", lambda found: found.crest_loss_db),
    ("level moving with the music (rms)", lambda found: found.movement_db),
    ("distortion added (noise-to-mask)", lambda found: found.distortion.nmr_db),
    ("sides wider by", lambda found: found.width_change_db),
)
_MOST_TIMES = 8


def to_markdown(found: Comparison, account: Account, plan: AgainstPlan | None = None) -> str:
    """One page with a final newline; what a plan says comes first."""
    lines = [f"# {plain(found.master.file)} against {plain(found.mix.file)}", ""]
    if plan is not None:
        lines += ["## Against the plan", "", f"**{verdict(plan)}**", ""]
        lines += [f"- {advice_text(one)}" for one in plan.advice] or [NOTHING_OFF]
        lines += ["", *(f"{line}\n" for line in caveats(plan))]
        lines += [*table(["figure", "plan", "bounce"], plan_rows(found, plan)), "", "## Against the mix", ""]
    lines += [account.loudness, *account.laid, ""]
    lines += ["## What changed, the most audible first", ""]
    lines += [f"- {said_text(said)}" for said in account.changed] or [NOTHING]
    if account.unchanged:
        lines += ["", f"Not changed, or too little to notice: {', '.join(account.unchanged)}."]
    lines += ["", LISTEN, "", "## Side by side", ""]
    lines += table(["figure", "mix", "master", "change"], figure_rows(found))
    lines += ["", DISTORTION, "", "## Third octaves at equal loudness", ""]
    lines += table(["band", "change", "mid", "side"], band_rows(found))
    return "\n".join(lines) + "\n"


def different_to_markdown(mix: str, master: str, reason: str) -> str:
    """What is said of two files that are no mix and master."""
    return f"# {plain(master)} against {plain(mix)}\n\n**Different material.** {reason[:1].upper()}{reason[1:]}\n"


def said_text(said: Said) -> str:
    """Sentence with the times to listen at."""
    times = list(dict.fromkeys(clock(at) for at in said.times_s))
    if not times or said.kind != "clicks":
        return said.text
    more = f" and {len(times) - _MOST_TIMES} more" if len(times) > _MOST_TIMES else ""
    return f"{said.text} At {', '.join(times[:_MOST_TIMES])}{more} of the mix."


def verdict(plan: AgainstPlan) -> str:
    """Whether the target is reached, in one sentence."""
    target = plan.target
    part = " in the loudest 3 s" if target.of_loudest_part else ""
    wanted = f"wanted {number(target.loudness_lufs, 'LUFS')}{part} under {number(target.ceiling_dbtp, 'dBTP')}"
    start = "The plan's target is reached" if plan.reached else "The plan's target is not reached"
    return f"{start}: {number(plan.loudness_lufs, 'LUFS')}{part} at {number(plan.true_peak_dbtp, 'dBTP')} ({wanted})."


def advice_text(advice: Advice) -> str:
    """Stage, what was seen, and what to try."""
    label = f"{STAGES[advice.stage].label}: " if advice.stage else ""
    return f"{label}{advice.seen} {advice.try_next}"


def caveats(plan: AgainstPlan) -> Iterable[str]:
    """What stands between the plan and this comparison."""
    if not plan.same_mix:
        yield (
            "The sheet was made for another file than this mix: the plan was rendered on this mix as it is, so its "
            "thresholds and its drive may not fit."
        )


def plan_rows(found: Comparison, plan: AgainstPlan) -> Iterable[list[str]]:
    """Rows of what plan and bounce do: label, plan, bounce."""
    for name, label, unit in PLAN_FIGURES:
        values = [getattr(one.master.figures, name) for one in (plan.plan, found)]
        yield [label, *(number(value, unit) for value in values)]
    for label, pick in PLAN_CHANGES:
        yield [label, *(number(pick(one), "dB") for one in (plan.plan, found))]


def figure_rows(found: Comparison) -> Iterable[list[str]]:
    """Rows of figures: label, mix, master, change."""
    before, after = (side.figures.as_dict() for side in (found.mix, found.master))
    yield ["length", clock(found.mix.duration_s), clock(found.master.duration_s), ""]
    for name, label, unit, decimals in FIGURES:
        yield _row(label, before[name], after[name], unit, decimals)
    for name, label, unit, decimals, _ in shown_faults((before, after), read_config().check.model_dump()):
        yield _row(label, before[name], after[name], unit, decimals)
    yield ["distortion added (noise-to-mask)", "", number(found.distortion.nmr_db, "dB"), ""]
    yield ["  of that under 200 Hz", "", number(found.distortion.nmr_low_db, "dB"), ""]
    yield ["edge of hits", "", "", number(found.onset_change_db, "dB", signed=True)]
    yield ["level moving with the music (rms)", "", number(found.movement_db, "dB"), ""]


def _row(label: str, before: float | None, after: float | None, unit: str, decimals: int) -> list[str]:
    change = None if before is None or after is None else after - before
    unit_of_change = {"LUFS": "LU", "dBTP": "dB", "dBFS": "dB"}.get(unit, unit)
    return [
        label,
        number(before, unit, decimals),
        number(after, unit, decimals),
        number(change, unit_of_change, decimals, signed=True),
    ]


def band_rows(found: Comparison) -> Iterable[list[str]]:
    """Rows of the third octaves that are heard: band, change, mid, side."""
    for band in found.bands:
        if band.heard:
            changes = (band.change_db, band.mid_change_db, band.side_change_db)
            yield [frequency(band.nominal_hz), *(number(change, "dB", signed=True) for change in changes)]
