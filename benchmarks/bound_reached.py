"""How much of the way to the per-frame clipper dialled settings go: from what `bench_bound.py` left in its results."""

import json
import statistics
from collections.abc import Mapping, Sequence
from typing import Any

from report import RESULTS

from autochain.search.costs import counted_db

STILL, MOVING = "clipper, gain still", "clipper, same slow gain"
WAYS = (("limiter", STILL), ("hard clip", STILL), ("hard clip", MOVING))
LEAST_DB = 0.1  # between limiter and clipper, for a share of it to mean something
_NEAR_DB = 0.5  # cells are cut to 21 s there and brought no louder than -7 LUFS

Cell = Mapping[str, Any]


def reached(cell: Cell, plain: str, best: str, counted: bool) -> float | None:
    """Per cent of the way from a plain master to a clipper, in dB or as the score counts it; None without a way."""
    if plain not in cell["masters"]:
        return None
    found = [cell["masters"][name]["nmr_db"] for name in (plain, "suggestion", best)]
    worst, suggestion, least = map(counted_db, found) if counted else found
    return 100.0 * (worst - suggestion) / (worst - least) if worst - least > LEAST_DB else None


def share(value: float | None) -> str:
    """Per cent, or a dash."""
    return "–" if value is None else f"{value:.0f} %"


def bound_cells() -> list[Cell]:
    """The cells that there are so far."""
    return list(json.loads((RESULTS / "bound.json").read_text(encoding="utf-8"))["cells"])


def share_at(cells: Sequence[Cell], recording: int, above_db: float) -> str:
    """Share of the way from a hard clip, the gain standing still, of the cell of a recording at about a loudness."""
    near = [c for c in cells if c["recording"] == recording and abs(c["above_db"] - above_db) <= _NEAR_DB]
    return share(reached(near[0], *WAYS[1], False)) if near else ""


def bound_line(cells: Sequence[Cell]) -> str:
    """What a table of searches quotes."""
    halves = []
    for odd, name in ((1, "odd"), (0, "even")):
        own = [cell for cell in cells if cell["recording"] % 2 == odd]
        shares = [one for cell in own if (one := reached(cell, *WAYS[1], False)) is not None]
        if shares:
            median, least, most = statistics.median(shares), min(shares), max(shares)
            halves.append(f"{median:.0f} % ({least:.0f} to {most:.0f} %) on {len(shares)} {name} recordings")
    return (
        "Of the way from a hard clip to a clipper that knows every frame, in dB of added distortion, dialled settings "
        f"reach {', '.join(halves)} (`results/bound.md`)."
    )
