"""Verdicts on mixes as Markdown: a table of all, then each with its reasons."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from autochain.measure.measurement import Measurement
from autochain.prepare.readiness import Readiness
from autochain.sheet.findings import HEADING, NOTHING, VERDICTS, kinds, listed
from autochain.sheet.tables import plain, table
from autochain.units import clock, number


@dataclass(frozen=True, slots=True, kw_only=True)
class Checked:
    """One mix that was checked."""

    file: str
    duration_s: float
    measurement: Measurement
    readiness: Readiness


def checks_to_markdown(checked: Sequence[Checked]) -> str:
    """All mixes as one page with a final newline."""
    lines = [f"# {HEADING}", ""]
    if len(checked) > 1:
        head = ["mix", "verdict", "length", "loudness", "true peak", "PLR", "found"]
        lines += [*table(head, map(_row, checked)), ""]
    for one in checked:
        lines += _section(one)
    return "\n".join(lines)


def _row(one: Checked) -> list[str]:
    figures = one.measurement
    return [
        plain(one.file),
        VERDICTS[one.readiness.verdict],
        clock(one.duration_s),
        number(figures.integrated_lufs, "LUFS"),
        number(figures.true_peak_dbtp, "dBTP"),
        number(figures.plr_db, "dB"),
        kinds(one.readiness.findings) or "–",
    ]


def figures_line(one: Checked) -> str:
    """Length, loudness and peaks in a sentence."""
    figures = one.measurement
    return (
        f"{clock(one.duration_s)} long, {number(figures.integrated_lufs, 'LUFS')} "
        f"({number(figures.max_short_term_lufs)} in the loudest 3 s), "
        f"true peak {number(figures.true_peak_dbtp, 'dBTP')}, peak to loudness {number(figures.plr_db, 'dB')}."
    )


def _section(one: Checked) -> Iterable[str]:
    yield f"## {plain(one.file)}: {VERDICTS[one.readiness.verdict]}"
    yield ""
    yield figures_line(one)
    yield ""
    yield from listed(one.readiness.findings) if one.readiness.findings else (NOTHING, "")
