"""Does the score rank masters as five outside judges do, and is the suggestion better than what a plain chain gives?

Reads what `panel_masters.py` left: masters of real recordings by unlike chains, at one loudness each, with their costs
and what the judges say. Within a cell (a recording at a loudness) the score is held against the mean rank of a master
over the judges. Weights were chosen on the odd numbers; the even ones were held back.
"""

import argparse
import itertools
import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np
from bound_reached import bound_cells, bound_line, share_at
from judges.panel import HARMLESS, mean_rank
from panel_masters import SOFT_CLIP, SUGGESTION, TRADE_DEFAULT
from report import machine, save, table
from scipy.stats import spearmanr

from autochain.config import read_config

QUESTION = "Does the score rank masters as five outside judges do?"
# The weights before these, and where their distortion began to cost.
BEFORE = {
    "added_distortion_nmr_db": 1.0, "added_distortion_low_nmr_db": 0.15, "crest_loss_db": 1.5, "onset_loss_db": 0.75,
    "asymmetry_reduction_db": 0.5, "gain_movement_db": 1.0, "contrast_loss_lu": 0.5, "image_shift_db": 0.5,
    "tilt_shift_db": 0.3,
}  # fmt: skip
BEFORE_KNEE_DB, KNEE_DB = -30.0, -20.0
PLAIN = ("limiter 60 ms", "limiter 1.5/5 ms", SOFT_CLIP, TRADE_DEFAULT)
CLIPPERS = ("hard clip, limiter 60 ms", "half clip, limiter 60 ms", "soft clip, limiter 5 ms")
BEST_CLIPPER = "best clipper with limiter"

Masters = Mapping[str, Mapping[str, Any]]


def priced(costs: Mapping[str, float], weights: Mapping[str, float], knee_db: float) -> float:
    """The score of costs by other weights and another knee."""
    total = 0.0
    for name, weight in weights.items():
        value = costs[name]
        if name.endswith("nmr_db"):
            value = 10.0 * float(np.log10(1.0 + 10.0 ** ((value - knee_db) / 10.0)))
        total += weight * value
    return total


def agreement(masters: Masters, weights: Mapping[str, float], knee_db: float) -> float:
    """Rank correlation of a score with the judges' mean rank."""
    ranks = mean_rank([m["judges"] for m in masters.values()])
    scores = [priced(m["costs"], weights, knee_db) for m in masters.values()]
    return float(spearmanr(scores, ranks).statistic)


def alone_beside_others(masters: Masters) -> float:
    """Median over judges of the rank correlation of one with the mean rank of the others: how far they agree at all."""
    said_of = [m["judges"] for m in masters.values()]
    found = []
    for judge, low in HARMLESS.items():
        others = mean_rank([{name: value for name, value in one.items() if name != judge} for one in said_of])
        found.append(float(spearmanr([max(one[judge], low) for one in said_of], others).statistic))
    return median(found)


def said(mine: Mapping[str, float], other: Mapping[str, float]) -> tuple[int, int]:
    """How many judges call the first better, and the second; what is harmless ties."""
    first, second = (np.array([max(one[name], low) for name, low in HARMLESS.items()]) for one in (mine, other))
    return int((first < second).sum()), int((first > second).sum())


def cells_of(folder: Path) -> list[dict[str, Any]]:
    """Every cell that all judges have heard."""
    found = []
    for file in sorted(folder.glob("*.json")):
        cell = json.loads(file.read_text())
        cell["masters"] = {n: m for n, m in cell["masters"].items() if set(HARMLESS) <= set(m.get("judges", {}))}
        if len(cell["masters"].keys() - {SUGGESTION}) >= 6:
            found.append(cell)
    return found


def versus(cell: Mapping[str, Any], weights: Mapping[str, float]) -> dict[str, tuple[int, int]]:
    """What the judges say of the suggestion against every plain chain that reaches the loudness."""
    masters: Masters = cell["masters"]
    if SUGGESTION not in masters:
        return {}
    others = {name: masters[name] for name in PLAIN if name in masters}
    clippers = [masters[name] for name in CLIPPERS if name in masters]
    if clippers:
        others[BEST_CLIPPER] = min(clippers, key=lambda m: priced(m["costs"], weights, KNEE_DB))
    return {name: said(masters[SUGGESTION]["judges"], one["judges"]) for name, one in others.items()}


def between_judges(cells: Sequence[Mapping[str, Any]]) -> list[tuple[str, ...]]:
    """Median rank correlation between judges over cells."""
    names = list(HARMLESS)
    rows = []
    for name in names:
        row = [name]
        for other in names:
            found = [
                spearmanr(_readings(c["masters"], name), _readings(c["masters"], other))
                for c in cells
            ]
            row.append(f"{median(float(f.statistic) for f in found):+.2f}")
        rows.append(tuple(row))
    return rows


def _readings(masters: Masters, judge: str) -> list[float]:
    """What one judge reads of every master, no less than what is harmless."""
    return [max(one["judges"][judge], HARMLESS[judge]) for one in masters.values()]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("kept", type=Path, help="folder that panel_masters.py filled")
    args = parser.parse_args()
    now = read_config(None, {"target": {"lufs": -9.0, "ceiling_dbtp": -1.0}}).weights.model_dump()
    cells = cells_of(args.kept)
    alone = [{n: m for n, m in c["masters"].items() if n != SUGGESTION} for c in cells]
    rows, bound = [], bound_cells()
    halves: dict[int, list[tuple[float, float, float, dict[str, tuple[int, int]]]]] = {0: [], 1: []}
    for cell, masters in zip(cells, alone, strict=True):
        before, after = agreement(masters, BEFORE, BEFORE_KNEE_DB), agreement(masters, now, KNEE_DB)
        one_judge, against = alone_beside_others(masters), versus(cell, now)
        ranks = dict(zip(cell["masters"], mean_rank([m["judges"] for m in cell["masters"].values()]), strict=True))
        own = ranks.pop(SUGGESTION, None)
        best = min(ranks, key=lambda n: ranks[n])
        halves[cell["number"] % 2].append((before, after, one_judge, against))
        rows.append(
            (cell["number"], cell["above_db"], cell["lufs"], len(masters), f"{before:+.2f}", f"{after:+.2f}",
             f"{one_judge:+.2f}", "" if own is None else f"{own:.1f}", f"{ranks[best]:.1f}, {best}",
             ", ".join(f"{a}:{b}" for a, b in against.values()), share_at(bound, cell["number"], cell["above_db"]))
        )  # fmt: skip
    summary, duels = [], []
    for odd, name in ((1, "odd numbers, chosen on"), (0, "even numbers, held back")):
        if not halves[odd]:
            continue
        was, found, judges, duelled = zip(*halves[odd], strict=True)
        every = list(itertools.chain.from_iterable(one.values() for one in duelled))
        summary.append(
            (name, len(found), f"{median(was):+.2f}", f"{min(was):+.2f}", f"{median(found):+.2f}",
             f"{min(found):+.2f}", f"{median(judges):+.2f}", f"{min(judges):+.2f}", len(every),
             sum(a > b for a, b in every), sum(b == len(HARMLESS) for _, b in every))
        )  # fmt: skip
        for chain in (*PLAIN, BEST_CLIPPER):
            here = [one[chain] for one in duelled if chain in one]
            duels.append((name, chain, len(here), sum(a > b for a, b in here), sum(a < b for a, b in here)))
    tried = []
    for knee, move, low, onset in itertools.product((-30.0, -20.0, -15.0), (1.0, 4.0, 5.0, 6.0), (0.0, 0.15), (0.75,)):
        own = now | {"gain_movement_db": move, "added_distortion_low_nmr_db": low, "onset_loss_db": onset}
        line = [f"{knee:g}", f"{move:g}", f"{low:g}"]
        for odd in (1, 0):
            values = [agreement(m, own, knee) for c, m in zip(cells, alone, strict=True) if c["number"] % 2 == odd]
            line += [f"{median(values):+.2f}", f"{min(values):+.2f}"] if values else ["", ""]
        tried.append(tuple(line))
    text = "\n\n".join(
        (
            "Rank correlation of the score with the mean rank over five judges, within a recording at one loudness; 1 "
            "is agreement. Judges for and against the suggestion beside a plain chain. None of the judges was held "
            "against listeners on masters at equal loudness.",
            table(("half", "cells", "before: median", "worst", "now: median", "worst", "one judge: median", "worst",
                   "comparisons with plain chains", "better for most judges", "worse for all five"), summary),
            "One judge: the correlation of one judge with the mean rank of the other four, in the middle of the five. "
            "Where that is near nothing the judges do not agree, and the mean rank of all says little.",
            table(("half", "plain chain", "cells", "suggestion better for most", "worse for most"), duels),
            bound_line(bound),
            "How the judges rank beside each other, median over cells:",
            table(("", *HARMLESS), between_judges([{"masters": m} for m in alone])),
            "Other weights: knee of the distortion in dB, points a dB of movement, weight of the bass part.",
            table(("knee", "movement", "bass", "odd: median", "worst", "even: median", "worst"), tried),
            table(("recording", "dB over gain alone", "LUFS", "chains", "before", "now", "one judge",
                   "rank of the suggestion", "best other", "judges for and against it",
                   "of the way to the per-frame clipper"), rows),
        )
    )  # fmt: skip
    save("score", QUESTION, machine(), {"weights": now, "rows": rows, "summary": summary, "duels": duels}, text)


if __name__ == "__main__":
    main()
