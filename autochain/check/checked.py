"""A mix that was checked: what was measured, and the verdict on it."""

from dataclasses import dataclass

from autochain.config import Config
from autochain.measure.inspection import Inspection
from autochain.measure.measurement import Measurement
from autochain.prepare.readiness import Readiness, judge
from autochain.prepare.resonance_findings import resonance_findings
from autochain.prepare.resonances import find_resonances


@dataclass(frozen=True, slots=True, kw_only=True)
class Checked:
    """One mix: what it is called, its length in s, its figures and the verdict."""

    file: str
    duration_s: float
    measurement: Measurement
    readiness: Readiness


def judged(seen: Inspection, file: str, config: Config) -> Checked:
    """Judge an inspected mix, called `file`, by the `[check]` limits and the rules on resonances of a configuration."""
    resonances = resonance_findings(find_resonances(seen.resonance), config.prepare.rules)
    return Checked(
        file=file,
        duration_s=seen.duration_s,
        measurement=seen.measured.figures,
        readiness=judge(seen, config.check, resonances),
    )
