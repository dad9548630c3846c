"""Whether a mix is ready to be worked on: measured, and decided by the limits of the configuration."""

from dataclasses import dataclass
from typing import Literal

from autochain.measure.inspection import Inspection
from autochain.prepare.faults import faults
from autochain.prepare.finding import Finding
from autochain.prepare.levels import levels
from autochain.prepare.limits import Limits

Verdict = Literal["ready", "usable", "revisit"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Readiness:
    """The verdict on one mix.

    Attributes
    ----------
    verdict
        `ready`: nothing found, or doubts only; `usable`: remarks; `revisit`: the mix itself should be changed first.
    findings
        Reasons to go back first, then remarks, each in a fixed order.
    """

    verdict: Verdict
    findings: tuple[Finding, ...]


def judge(seen: Inspection, limits: Limits, more: tuple[Finding, ...] = ()) -> Readiness:
    """Decide.

    Parameters
    ----------
    seen
        The inspected mix.
    limits
        From where on a figure is worth a finding.
    more
        Findings made elsewhere.
    """
    found = sorted((*faults(seen, limits), *levels(seen, limits), *more), key=lambda one: not one.sends_back)
    # A doubt is listed and no more: most doubts are music, and a verdict that follows them says nothing.
    told = any(one.certainty != "doubtful" for one in found)
    verdict: Verdict = "revisit" if found and found[0].sends_back else "usable" if told else "ready"
    return Readiness(verdict=verdict, findings=tuple(found))
