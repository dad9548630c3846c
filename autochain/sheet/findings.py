"""Findings of the check in words, on its own page and on the sheet."""

from collections.abc import Iterable, Iterator, Sequence

from autochain.document.blocks import Block, Line, Listed, Paragraph, Strong
from autochain.prepare.finding import Finding
from autochain.units import clock, number

HEADING = "Is the mix ready?"
NOTHING = "Nothing stands in the way."
VERDICTS = {"ready": "ready", "usable": "usable, with remarks", "revisit": "go back to the mix"}
MOST_TIMES = 8
SURE = {
    "certain": "This is certain.",
    "likely": "This is likely, and not certain: judge it by ear.",
    "doubtful": "This is doubtful: it may well be music. Judge it by ear.",
}
# What a difference of two values is counted in; of every other unit it is not told.
_DIFFERENCES = {"dB": "dB", "dBFS": "dB", "dBTP": "dB", "LUFS": "LU", "s": "s"}


def kind(finding: Finding) -> str:
    """Kind of a finding as words."""
    if finding.code == "silence" and finding.unit == "dBFS":  # none where some should be
        return "cut-off end" if any(finding.times_s) else "cut-off start"
    return finding.code.replace("_", " ")


def kinds(findings: Iterable[Finding]) -> str:
    """Kinds of findings once each, in order, as words; empty without any."""
    return ", ".join(dict.fromkeys(map(kind, findings)))


def by_weight(findings: Sequence[Finding]) -> Iterable[tuple[str, list[Finding]]]:
    """Reasons to go back first, then remarks, each under its title."""
    for title, sends_back in (("Reasons to go back", True), ("Remarks", False)):
        own = [finding for finding in findings if finding.sends_back == sends_back]
        if own:
            yield title, own


def listed(findings: Sequence[Finding]) -> Iterator[Block]:
    """All as lists of words."""
    for title, own in by_weight(findings):
        yield Paragraph(f"{title}:")
        yield Listed([_line(finding) for finding in own])


def beyond_usual(finding: Finding) -> str:
    """How far the figure is beyond what is usual, as a sentence; empty where no such figure is known."""
    value, usual, unit = finding.value, finding.usual, finding.unit
    if value is None or usual is None or "usual" in finding.text:  # some say it in words of their own
        return ""
    decimals = 1 if unit in _DIFFERENCES else 2 if not unit else 0
    end = number(usual, unit, decimals)
    if unit not in _DIFFERENCES and value > usual == 0.0:
        return "Usual: none."
    if finding.code == "level_jump":  # a step of no size is usual
        return f"From {end} on it sends the mix back."
    over = value > usual
    here = "" if unit not in _DIFFERENCES else f"; here {number(abs(value - usual), _DIFFERENCES[unit])} "
    return f"Usual: {f'up to {end}' if over else f'{end} or more'}{here and here + ('more' if over else 'less')}."


def when(finding: Finding) -> str:
    """Its first times as a sentence; empty for what has none."""
    times = [clock(at) for at in finding.times_s[:MOST_TIMES]]
    more = f" and {len(finding.times_s) - MOST_TIMES} more" if len(finding.times_s) > MOST_TIMES else ""
    return f"At {', '.join(dict.fromkeys(times))}{more}." if times else ""


def _line(finding: Finding) -> Line:
    sure = "" if finding.certainty == "certain" else SURE[finding.certainty]
    told = (finding.text, beyond_usual(finding), when(finding), sure, finding.suggestion)
    return Strong(kind(finding)), f": {' '.join(filter(None, told))}"
