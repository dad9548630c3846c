"""How many trials does the search's sampler need on real music, beside those of a library?

Every sampler is told the same simple chains and then asks for as many points as the budget leaves, in batches of eight.
A score is that of the excerpts of 60 s of a recording, at the loudness where the song meets its target.
"""

import argparse
import statistics
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import outside_samplers
from bench_trials import ABOVE_GAIN_ALONE_DB, prepared
from bound_reached import bound_cells, bound_line
from real_recordings import recordings
from report import machine, save, table

from autochain.config.model import Config, Coordinates
from autochain.search.baselines import baseline_grids, corners
from autochain.search.evaluator import Trial
from autochain.search.request import RunOptions
from autochain.search.run import ReadySearch
from autochain.search.sampler import ModelSampler
from autochain.search.trials import Trials
from autochain.solve.decisions import Decisions
from autochain.solve.solved import Guess

SHOWN = (24, 32, 40, 48, 56, 100, 200)
MOST = {"random": 200}  # trials; twice those of the others
OTHERS_MOST = 100
BATCH = 8


def own(config: Config, seed: int) -> ModelSampler:
    return ModelSampler(config.search.ranges, seed, Decisions(), config.search.trade_default)


def outside(make: Callable[..., Any]) -> Callable[[Config, int], Any]:
    return lambda config, seed: make(config.search.ranges, seed)


SAMPLERS: dict[str, Callable[[Config, int], Any]] = {
    "model": own,
    "tpe": outside(outside_samplers.tpe),
    "cma": outside(outside_samplers.cma),
    "random": outside(outside_samplers.random),
}


def best_so_far(ready: ReadySearch, config: Config, name: str, seed: int, budget: int) -> tuple[list[float], float]:
    """The best score after every trial, and the sampler's own CPU time a trial."""
    trials = Trials(ready.excerpts, ready.song, config, ready.binding, RunOptions())
    aim = trials.calibrated()
    sampler, spent = SAMPLERS[name](config, seed), 0.0
    scores: list[float] = []

    def evaluate(points: list[Coordinates]) -> list[Trial]:
        found = [
            ready.excerpts.trial(point, ready.binding.searched, config.target.ceiling_dbtp - 0.1, aim, Guess())
            for point in points
        ]
        scores.extend(trial.score for trial in found)
        return found

    known = [point for _, point in corners(baseline_grids(config.search.trade_default, config.search.baselines))]
    for point, trial in zip(known, evaluate(known), strict=True):
        sampler.known(point, trial.score)
    if name == "model":
        points = sampler.spread(config.search.startup)
        for point, trial in zip(points, evaluate(points), strict=True):
            sampler.known(point, trial.score)
    while len(scores) < budget:
        clock = time.process_time()
        points = sampler.ask(min(BATCH, budget - len(scores)))
        spent += time.process_time() - clock
        sampler.tell([trial.score for trial in evaluate(points)])
    return [min(scores[: count + 1]) for count in range(len(scores))], spent / budget


def ahead_of_luck(runs: list[dict[str, Any]]) -> list[tuple[Any, ...]]:
    """How far the model is ahead of two to four times as many trials at random, over searches of one cell and seed."""
    luck = {(r["recording"], r["above_db"], r["seed"]): r["best"][200] for r in runs if r["sampler"] == "random"}
    rows = []
    for count in (56, 100):
        gains = [
            luck[r["recording"], r["above_db"], r["seed"]] - r["best"][count]
            for r in runs
            if r["sampler"] == "model" and (r["recording"], r["above_db"], r["seed"]) in luck
        ]
        if gains:
            better = f"{sum(g > 0.0 for g in gains)} of {len(gains)}"
            rows.append((f"{count} trials", len(gains), better, f"{statistics.median(gains):.2f}", f"{min(gains):.2f}"))
    return rows


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path, help="recordings, numbered")
    parser.add_argument("--half", choices=("odd", "even", "all"), default="odd")
    parser.add_argument("--only", type=int, nargs="*", help="numbers of recordings")
    parser.add_argument("--seeds", type=int, nargs="*", default=[1])
    parser.add_argument("--samplers", nargs="*", default=list(SAMPLERS), choices=list(SAMPLERS))
    args = parser.parse_args()
    where, runs = machine(), []
    for number, path in recordings(args.folder, args.half).items():
        if args.only and number not in args.only:
            continue
        for above, ready, config in prepared(path, ABOVE_GAIN_ALONE_DB, 1, None, 1):
            for seed in args.seeds:
                for name in args.samplers:
                    best, own_s = best_so_far(ready, config, name, seed, MOST.get(name, OTHERS_MOST))
                    runs.append(
                        {"recording": number, "above_db": above, "sampler": name, "seed": seed, "own_s": own_s,
                         "best": {count: best[count - 1] for count in SHOWN if count <= len(best)}}
                    )  # fmt: skip
                    told = [f"{score:.3f}" for score in runs[-1]["best"].values()]
                    print(number, above, seed, name, *told, flush=True)
    floor: dict[tuple[int, float], float] = {}
    for run in runs:
        cell = run["recording"], run["above_db"]
        floor[cell] = min(floor.get(cell, float("inf")), *run["best"].values())
    rows = []
    for name in args.samplers:
        mine = [r for r in runs if r["sampler"] == name]
        shown = [c for c in SHOWN if c in mine[0]["best"]]
        behind = {c: [r["best"][c] - floor[r["recording"], r["above_db"]] for r in mine] for c in shown}
        middle = [f"{statistics.median(b):.3f} ({max(b):.2f})" for b in behind.values()]
        middle += [""] * (len(SHOWN) - len(shown))
        rows.append((name, len(mine), *middle, 1000.0 * statistics.median(r["own_s"] for r in mine)))
    ahead = ahead_of_luck(runs)
    text = (
        f"Recordings, {args.half} numbers, at {', '.join(f'{a:g}' for a in ABOVE_GAIN_ALONE_DB)} dB over gain alone: "
        "how far the best score after so many trials lies behind the best of all runs of the cell, in the middle "
        "(and at worst).\n\n"
        + table(("sampler", "runs", *(f"{c} trials" for c in SHOWN), "own CPU ms a trial"), rows)
        + ("" if not ahead else "\n\n" + table(
            ("the model after", "searches", "better than 200 at random", "in the middle by", "at worst"), ahead))
        + f"\n\n{bound_line(bound_cells())}"
    )  # fmt: skip
    name = "samplers" if args.half == "odd" else f"samplers_{args.half}"
    save(name, "How many trials does the search's sampler need?", where, {"runs": runs}, text)


if __name__ == "__main__":
    main()
