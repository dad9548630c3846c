"""Findings of the check in words, on its own page and on the sheet."""

from collections.abc import Iterable, Sequence

from autochain.prepare.finding import Finding
from autochain.sheet.model import FindingEntry
from autochain.units import clock

Told = Finding | FindingEntry
VERDICTS = {"ready": "ready", "usable": "usable, with remarks", "revisit": "go back to the mix"}
_MOST_TIMES = 8


def kinds(findings: Iterable[Told]) -> str:
    """Kinds of findings once each, in order, as words; empty without any."""
    return ", ".join(dict.fromkeys(finding.code.replace("_", " ") for finding in findings))


def listed(findings: Sequence[Told]) -> Iterable[str]:
    """Reasons to go back first, then remarks, each under its title."""
    for title, sends_back in (("Reasons to go back", True), ("Remarks", False)):
        own = [finding for finding in findings if finding.sends_back == sends_back]
        if own:
            yield f"{title}:"
            yield ""
            yield from map(_line, own)
            yield ""


def _line(finding: Told) -> str:
    times = [clock(at) for at in finding.times_s[:_MOST_TIMES]]
    more = f" and {len(finding.times_s) - _MOST_TIMES} more" if len(finding.times_s) > _MOST_TIMES else ""
    at = f" At {', '.join(dict.fromkeys(times))}{more}." if times else ""
    return f"- **{finding.code.replace('_', ' ')}**: {finding.text}{at} {finding.suggestion}"
