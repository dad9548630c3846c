"""A comparison as Markdown."""

from collections.abc import Iterable

from autochain.compare.account import Account
from autochain.compare.comparison import Comparison
from autochain.compare.said import Said
from autochain.sheet.tables import plain, table
from autochain.sheet.words import FAULTS, FIGURES
from autochain.units import clock, frequency, number

NOTHING = "Nothing that would be noticed in a comparison at equal loudness."
_MOST_TIMES = 8


def to_markdown(found: Comparison, account: Account) -> str:
    """One page with a final newline."""
    lines = [f"# {plain(found.master.file)} against {plain(found.mix.file)}", ""]
    lines += [account.loudness, *account.laid, ""]
    lines += ["## What changed, the most audible first", ""]
    lines += [f"- {said_text(said)}" for said in account.changed] or [NOTHING]
    if account.unchanged:
        lines += ["", f"Not changed, or too little to notice: {', '.join(account.unchanged)}."]
    lines += ["", "## Side by side", ""]
    lines += table(["figure", "mix", "master", "change"], figure_rows(found))
    lines += ["", "## Third octaves at equal loudness", ""]
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


def figure_rows(found: Comparison) -> Iterable[list[str]]:
    """Rows of figures: label, mix, master, change."""
    before, after = (side.figures.as_dict() for side in (found.mix, found.master))
    yield ["length", clock(found.mix.duration_s), clock(found.master.duration_s), ""]
    for name, label, unit, decimals in FIGURES:
        yield _row(label, before[name], after[name], unit, decimals)
    for name, (label, unit, decimals, limit) in FAULTS.items():
        if any(_worse(value, limit) for value in (before[name], after[name])):
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


def _worse(value: float | None, limit: float) -> bool:
    return value is not None and (abs(value) > limit if limit > 0.0 else value > limit)


def band_rows(found: Comparison) -> Iterable[list[str]]:
    """Rows of the third octaves that are heard: band, change, mid, side."""
    for band in found.bands:
        if band.heard:
            changes = (band.change_db, band.mid_change_db, band.side_change_db)
            yield [frequency(band.nominal_hz), *(number(change, "dB", signed=True) for change in changes)]
