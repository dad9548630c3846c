"""Verdicts on mixes as a report: all at a glance, then each with its reasons."""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from autochain.check.checked import Checked
from autochain.document.as_markdown import markdown
from autochain.document.blocks import (
    Block,
    FileName,
    Folded,
    Heading,
    Line,
    Link,
    Paragraph,
    Part,
    Strong,
    table,
)
from autochain.sheet.findings import HEADING, NOTHING, VERDICTS, kinds, listed
from autochain.sheet.words import LISTEN_MODERATELY
from autochain.units import clock, number


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownFindings:
    """What a page shows and plays: words on how it plays, and findings mix by mix in place of their lists."""

    playing: Sequence[Block]
    findings: Sequence[Sequence[Block]]


def checks_to_markdown(checked: Sequence[Checked]) -> str:
    """All mixes as Markdown with a final newline."""
    return markdown(checks_report(checked))


def checks_report(
    checked: Sequence[Checked], unread: Sequence[str] = (), shown: ShownFindings | None = None
) -> list[Block]:
    """All of it; `unread` is what is to be said of files that could not be read, `shown` what a page has."""
    findings = shown.findings if shown else [list(listed(one.readiness.findings)) for one in checked]
    several = len(checked) > 1
    mixes = enumerate(zip(checked, findings, strict=True), 1)
    return [
        Heading(HEADING, 1),
        *([Paragraph(_in_all(checked), role="lead")] if several else []),
        *(Paragraph(f"Not checked: {problem}") for problem in unread),
        *(_glance(checked) if several else ()),
        *(shown.playing if shown else ()),
        *(_mix(place, one, own, not several) for place, (one, own) in mixes),
        # A page says it above what it plays.
        *([Paragraph(LISTEN_MODERATELY, role="soft")] if any(findings) and not (shown and shown.playing) else []),
    ]


def _in_all(checked: Sequence[Checked]) -> str:
    counts = Counter[str](one.readiness.verdict for one in checked)
    told = [f"{counts[verdict]} {words}" for verdict, words in VERDICTS.items() if counts[verdict]]
    return f"{len(checked)} mixes: {'; '.join(told)}."


def _glance(checked: Sequence[Checked]) -> Iterator[Block]:
    head = ["mix", "verdict", "length", "loudness", "true peak", "PLR", "found"]
    yield table(head, (_row(place, one) for place, one in enumerate(checked, 1)), role="glance")


def _row(place: int, one: Checked) -> list[Line]:
    figures, verdict = one.measurement, VERDICTS[one.readiness.verdict]
    return [
        Link(one.file, f"#mix-{place}"),
        Strong(verdict) if one.readiness.verdict == "revisit" else verdict,
        clock(one.duration_s),
        number(figures.integrated_lufs, "LUFS"),
        number(figures.true_peak_dbtp, "dBTP"),
        number(figures.plr_db, "dB"),
        kinds(one.readiness.findings) or "–",
    ]


def _mix(place: int, one: Checked, findings: Sequence[Block], opened: bool) -> Folded:
    title = Heading((FileName(one.file), f": {VERDICTS[one.readiness.verdict]}"))
    told = [Paragraph(_figures(one)), *(findings or [Paragraph(NOTHING)])]
    # The mark is inside, and not the fold's own: a browser opens what holds the place that a link leads to.
    return Folded(title, [Part(told, role="mix", mark=f"mix-{place}")], opened)


def _figures(one: Checked) -> str:
    """Length, loudness and peaks in a sentence."""
    figures = one.measurement
    return (
        f"{clock(one.duration_s)} long, {number(figures.integrated_lufs, 'LUFS')} "
        f"({number(figures.max_short_term_lufs)} in the loudest 3 s), "
        f"true peak {number(figures.true_peak_dbtp, 'dBTP')}, peak to loudness {number(figures.plr_db, 'dB')}."
    )
