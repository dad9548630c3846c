"""Verdicts on mixes as JSON."""

import json
from collections.abc import Sequence

from autochain.check.checked import Checked
from autochain.prepare.finding import Finding


def checks_to_json(checked: Sequence[Checked]) -> str:
    """Return a list of `file`, `verdict`, `findings` and `measurement`, numbers to three decimals, a final newline."""
    return json.dumps([_one(one) for one in checked], indent=2, ensure_ascii=False) + "\n"


def _one(one: Checked) -> dict[str, object]:
    return {
        "file": one.file,
        "verdict": one.readiness.verdict,
        "findings": [_finding(finding) for finding in one.readiness.findings],
        "measurement": {name: _rounded(value) for name, value in one.measurement.as_dict().items()},
    }


def _finding(finding: Finding) -> dict[str, object]:
    return {
        "code": finding.code,
        "sends_back": finding.sends_back,
        "certainty": finding.certainty,
        "times_s": [round(at, 3) for at in finding.times_s],
        "channels": finding.channels,
        "freq_hz": _rounded(finding.freq_hz),
        "q": finding.q,
        "value": _rounded(finding.value),
        "usual": _rounded(finding.usual),
        "unit": finding.unit,
        "text": finding.text,
        "suggestion": finding.suggestion,
    }


def _rounded(value: float | None) -> float | None:
    return value if value is None or isinstance(value, int) else round(value, 3)
