"""Where a benchmark was run, and its result as JSON and as a short table. Standard library only."""

import json
import os
import platform
from collections.abc import Iterable, Mapping, Sequence
from importlib.metadata import version
from pathlib import Path
from typing import Any

RESULTS = Path(__file__).parent / "results"
_PACKAGES = ("autochain", "numpy", "scipy", "numba")


def machine() -> dict[str, Any]:
    """Processor, cores, load and versions: what a time depends on."""
    model = platform.processor() or platform.machine()
    cpuinfo = Path("/proc/cpuinfo")
    if cpuinfo.exists():
        names = [line.split(":", 1)[1].strip() for line in cpuinfo.read_text().splitlines() if "model name" in line]
        model = names[0] if names else model
    return {
        "processor": model,
        "cores": os.cpu_count(),
        "load_1_min": round(os.getloadavg()[0], 2),
        "python": platform.python_version(),
        "versions": {name: version(name) for name in _PACKAGES},
    }


def table(head: Sequence[str], rows: Iterable[Sequence[Any]]) -> str:
    """Markdown table; floats with two decimals, None as a dash."""

    def cell(value: Any) -> str:
        if value is None:
            return "–"
        return f"{value:.2f}" if isinstance(value, float) else str(value)

    lines = [" | ".join(head), " | ".join("---" for _ in head), *(" | ".join(map(cell, row)) for row in rows)]
    return "\n".join(f"| {line} |" for line in lines)


def save(name: str, question: str, where: Mapping[str, Any], result: Mapping[str, Any], text: str) -> None:
    """Write `results/NAME.json` and `.md` and print the latter; `where` is `machine()` from before the run."""
    RESULTS.mkdir(exist_ok=True)
    line = f"{where['processor']}, {where['cores']} cores, load {where['load_1_min']} at the start"
    page = f"# {question}\n\n{line}\n\n{text}\n"
    whole = {"question": question, "machine": where, **result}
    (RESULTS / f"{name}.json").write_text(json.dumps(whole, indent=1) + "\n", encoding="utf-8")
    (RESULTS / f"{name}.md").write_text(page, encoding="utf-8")
    print(page)
