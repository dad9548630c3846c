"""What does a suggestion cost on tools that read its settings in other ways, and does asking them first help?

Every cell is a recording and a target: 30 s from its middle, brought to the loudness that gain alone reaches under
-1 dBTP and 6 dB more, where that is no louder than -7 LUFS. The search is run as it is, then the best chain and the
chains that count as equal are set on every stranger's tools (`autochain/search/strangers.py`), not only on those that a
search asks. Scores are those of the excerpts, at one loudness.
"""

import argparse
import json
import statistics
import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from bound_reached import bound_cells, bound_line
from real_recordings import recordings
from report import machine, save, table

from autochain.audio.files import read_mix
from autochain.audio.mix import Mix
from autochain.config import read_config
from autochain.search.other_hands import OtherHands, loss
from autochain.search.request import RunOptions, SearchRequest
from autochain.search.run import MeasuredMix
from autochain.search.strangers import ASKED, STRANGERS
from autochain.search.trials import Trials

QUESTION = "What does a suggestion cost on tools that read its settings in other ways, and does asking them first help?"
ABOVE_GAIN_ALONE_DB = 6.0
CEILING_DBTP = -1.0
LOUDEST_LUFS = -7.0
CUT_S = 30.0
HALVES = {"odd": "odd numbers, chosen on", "even": "even numbers, held back"}


def middle(path: Path) -> Mix:
    """30 s from the middle of a recording."""
    mix = read_mix(path)
    frames = min(len(mix.samples), round(CUT_S * mix.rate_hz))
    first = (len(mix.samples) - frames) // 2
    return replace(mix, samples=mix.samples[first : first + frames].copy())


def cell_of(path: Path) -> dict[str, Any] | None:
    """What the best chain, and the one suggested for it, cost in all hands; None where the target is too loud."""
    config = read_config(None, {"target": {"lufs": -9.0, "ceiling_dbtp": CEILING_DBTP}})
    measured = MeasuredMix.of(SearchRequest(mix=middle(path), config=config), RunOptions())
    lufs = round(measured.seen.lufs + CEILING_DBTP - measured.seen.peak_dbtp + ABOVE_GAIN_ALONE_DB, 1)
    if lufs > LOUDEST_LUFS:
        return None
    config = config.model_copy(update={"target": config.target.model_copy(update={"lufs": lufs})})
    ready = replace(measured, request=replace(measured.request, config=config)).ready()
    run = ready.measured.run
    start = time.process_time()
    spent = Trials(ready.excerpts, ready.song, config, ready.binding, run).spend()
    searched = time.process_time()
    again = OtherHands(ready.excerpts, spent.aim, run.in_parallel)
    again.changes(spent.alike, ready.binding.searched)
    asked = time.process_time()
    everybody = OtherHands(ready.excerpts, spent.aim, run.in_parallel, STRANGERS)
    chains = list(dict.fromkeys([spent.alike[0].settings, spent.best.settings]))
    trials = [next(t for t in spent.alike if t.settings == settings) for settings in chains]
    found = [
        {"score": t.score, "settings": t.settings.plain(), "changes": dict(c)}
        for t, c in zip(trials, everybody.changes(trials, ready.binding.searched), strict=True)
    ]
    return {
        "lufs": lufs, "met": spent.best.solution.met, "alike": len(spent.alike), "without": found[0], "with": found[-1],
        "search_cpu_s": searched - start, "asking_cpu_s": asked - searched,
    }  # fmt: skip


def told(cells: dict[str, Any]) -> tuple[dict[str, Any], str]:
    """Tables of all cells that reached their targets, the halves apart."""
    met = {number: cell for number, cell in cells.items() if cell is not None and cell["met"]}
    halves, rows, strangers = [], [], []
    for half, name in HALVES.items():
        own = [cell for number, cell in met.items() if int(number) % 2 == (half == "odd")]
        if not own:
            continue
        moved = [cell for cell in own if cell["with"] != cell["without"]]
        lose = {which: [loss(cell[which]["changes"]) for cell in own] for which in ("without", "with")}
        most = {which: [max(cell[which]["changes"].values()) for cell in own] for which in ("without", "with")}
        gives = [cell["with"]["score"] - cell["without"]["score"] for cell in own]
        halves.append(
            (name, len(own), len(moved), *(f"{statistics.fmean(lose[w]):.3f}" for w in lose),
             *(f"{statistics.fmean(most[w]):.2f}" for w in most), f"{statistics.fmean(gives):.3f}", f"{max(gives):.2f}",
             statistics.median(cell["asking_cpu_s"] for cell in own))
        )  # fmt: skip
        for stranger in STRANGERS:
            changes = [cell["with"]["changes"][stranger.name] for cell in own]
            strangers.append(
                (name, stranger.words, "yes" if stranger in ASKED else "", *(f"{v:+.2f}" for v in spread(changes)))
            )
    for number, cell in sorted(met.items(), key=lambda item: int(item[0])):
        before, after = cell["without"], cell["with"]
        rows.append(
            (number, cell["lufs"], cell["alike"], before["score"], after["score"], loss(before["changes"]),
             loss(after["changes"]), max(before["changes"].values()), max(after["changes"].values()),
             dearest(after["changes"]), cell["search_cpu_s"], cell["asking_cpu_s"])
        )  # fmt: skip
    text = (
        "Points of score. Loses: the mean over all strangers of what a chain costs on their tools beyond ours. Most: "
        "the dearest stranger. Given up: what the suggestion costs beyond the best chain on tools like ours.\n\n"
        + table(
            ("half", "cells", "another chain suggested", "loses without asking", "with", "most without", "with",
             "given up", "at most", "CPU-s of asking, median"), halves)
        + "\n\nWhat the suggestion costs more, stranger by stranger:\n\n"
        + table(("half", "stranger", "asked in a search", "least", "median", "most"), strangers)
        + "\n\nCell by cell:\n\n"
        + table(
            ("recording", "LUFS", "chains that count as equal", "score without", "with", "loses without", "with",
             "most without", "with", "the dearest", "CPU-s of the search", "of asking"), rows)
        + f"\n\n{bound_line(bound_cells())}"
    )
    return {"cells": cells}, text


def spread(values: Sequence[float]) -> tuple[float, float, float]:
    """Least, median, most."""
    return min(values), statistics.median(values), max(values)


def dearest(changes: dict[str, float]) -> str:
    """Name of the stranger whose tools cost most."""
    return max(changes, key=lambda name: changes[name])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path, help="recordings, numbered")
    parser.add_argument("--half", choices=("odd", "even", "all"), default="all")
    parser.add_argument("--cells", type=Path, required=True, help="file of finished cells, added to")
    args = parser.parse_args()
    cells = json.loads(args.cells.read_text()) if args.cells.exists() else {}
    for number, path in recordings(args.folder, args.half).items():
        if str(number) in cells:
            continue
        try:
            cells[str(number)] = cell_of(path)
        except Exception as problem:
            print(number, type(problem).__name__, problem, flush=True)
            continue
        args.cells.write_text(json.dumps(cells, indent=1))
        print(number, "too loud" if cells[str(number)] is None else "done", flush=True)
    save("other_hands", QUESTION, machine(), *told(cells))


if __name__ == "__main__":
    main()
