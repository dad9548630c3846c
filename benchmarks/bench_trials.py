"""What do fewer trials, other starts and cheaper scores cost on real music? Scores of whole searches, side by side.

Every cell is a recording, a target and a seed: 60 s from its middle, brought to the loudness that gain alone reaches
under -1 dBTP and 3, 6 or 9 dB more, where that is no louder than -7 LUFS. The score is that of the suggestion on the
whole of it, at one loudness. A run keeps its cells in a file, so that two versions of the program are compared cell by
cell.
"""

import argparse
import json
import statistics
import time
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from bound_reached import bound_cells, bound_line
from real_recordings import recordings
from report import machine, save, table

from autochain.audio.files import read_mix
from autochain.audio.mix import Mix
from autochain.config import read_config
from autochain.config.model import Config
from autochain.search.request import RunOptions, SearchRequest
from autochain.search.run import MeasuredMix, ReadySearch

ABOVE_GAIN_ALONE_DB = (3.0, 6.0, 9.0)
CEILING_DBTP = -1.0
LOUDEST_LUFS = -7.0
LONGEST_S = 60.0

Prepared = tuple[float, ReadySearch, Config]


def middle(path: Path) -> Mix:
    """The mix, or 60 s from its middle."""
    mix = read_mix(path)
    frames = round(LONGEST_S * mix.rate_hz)
    if len(mix.samples) <= 1.25 * frames:
        return mix
    first = (len(mix.samples) - frames) // 2
    return replace(mix, samples=mix.samples[first : first + frames].copy())


def prepared(path: Path, above_db: Sequence[float], seed: int, budget: int | None, jobs: int) -> Iterator[Prepared]:
    """What lies above gain alone, the search ready for it, and its configuration, for every target in reach."""
    search = {"seed": seed} | ({} if budget is None else {"budget": budget})
    config = read_config(None, {"target": {"lufs": -9.0, "ceiling_dbtp": CEILING_DBTP}, "search": search})
    measured = MeasuredMix.of(SearchRequest(mix=middle(path), config=config), RunOptions(jobs=jobs))
    gain_alone = measured.seen.lufs + CEILING_DBTP - measured.seen.peak_dbtp
    for above in above_db:
        if gain_alone + above > LOUDEST_LUFS:
            continue
        target = config.target.model_copy(update={"lufs": round(gain_alone + above, 1)})
        own = config.model_copy(update={"target": target})
        # The rotation is chosen for the target, so that each has its own start.
        yield above, replace(measured, request=replace(measured.request, config=own)).ready(), own


def cell_of(ready: ReadySearch, config: Config) -> dict[str, Any]:
    """What a search came to."""
    start = time.process_time()
    found = ready.reach(config.target, brief=True).suggestion
    spent = time.process_time() - start
    return {
        "lufs": config.target.lufs, "score": found.chosen.score, "met": found.chosen.met, "cpu_s": spent,
        "trials": found.stats.trials, "renders": found.stats.mean_renders, "costs": found.chosen.costs.as_dict(),
        "settings": found.chosen.settings.plain(), "baselines": {n: b.score for n, b in found.baselines.items()},
    }  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path, help="recordings, numbered")
    parser.add_argument("--half", choices=("odd", "even", "all"), default="all")
    parser.add_argument("--only", type=int, nargs="*", help="numbers of recordings")
    parser.add_argument("--seeds", type=int, nargs="*", default=[1])
    parser.add_argument("--budget", type=int, default=None)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--cells", type=Path, required=True, help="file of this version's cells, added to")
    parser.add_argument("--before", type=Path, help="cells of another version, to be compared with")
    args = parser.parse_args()
    cells = json.loads(args.cells.read_text()) if args.cells.exists() else {}
    for seed in args.seeds:
        for number, path in recordings(args.folder, args.half).items():
            if args.only and number not in args.only:
                continue
            if f"{number}/{ABOVE_GAIN_ALONE_DB[0]:g}/{seed}" in cells:
                continue
            try:
                for above, ready, config in prepared(path, ABOVE_GAIN_ALONE_DB, seed, args.budget, args.jobs):
                    cell = cell_of(ready, config)
                    cells[f"{number}/{above:g}/{seed}"] = cell
                    told = f"{cell['score']:.3f} met {cell['met']} {cell['cpu_s']:.1f} s"
                    print(number, above, seed, told, flush=True)
            except Exception as problem:
                print(number, seed, type(problem).__name__, problem, flush=True)
            args.cells.write_text(json.dumps(cells, indent=1))
    if args.before is not None:
        compared(json.loads(args.before.read_text()), cells)


def compared(before: dict[str, Any], now: dict[str, Any]) -> None:
    """Cells that both versions have, and what a page says of them by half."""
    rows, both = [], []
    for key in sorted(before.keys() & now.keys(), key=lambda k: [float(part) for part in k.split("/")]):
        number, above, seed = key.split("/")
        old, new = before[key], now[key]
        if old["met"] and new["met"]:
            both.append((int(number) % 2 == 1, new["score"] - old["score"], new["cpu_s"] / old["cpu_s"]))
        rows.append(
            (number, above, seed, old["lufs"], old["score"], new["score"], f"{new['score'] - old['score']:+.3f}",
             old["trials"], new["trials"], old["renders"], new["renders"], new["cpu_s"] / old["cpu_s"],
             "" if old["met"] and new["met"] else f"met: {old['met']}, {new['met']}")
        )  # fmt: skip
    halves = []
    for odd, name in ((True, "odd numbers, chosen on"), (False, "even numbers, held back")):
        moved, cpu = zip(*((m, c) for o, m, c in both if o == odd), strict=True)
        halves.append(
            (name, len(moved), f"{statistics.median(moved):+.3f}", f"{max(moved):+.3f}", f"{min(moved):+.3f}",
             statistics.median(cpu))
        )  # fmt: skip
    head = ("recording", "dB over gain alone", "seed", "LUFS", "score before", "now", "change", "trials before", "now",
            "renders a trial before", "now", "CPU now / before", "")  # fmt: skip
    text = (
        "Change of score at one loudness, where both reach the target; lower is better.\n\n"
        + table(("half", "cells", "median change", "worst", "best", "CPU of search and verification, ratio"), halves)
        + "\n\n"
        + table(head, rows)
        + f"\n\n{bound_line(bound_cells())}"
    )
    save("trials", "What do fewer trials and a model of them cost on real music?", machine(), {"rows": rows}, text)


if __name__ == "__main__":
    main()
