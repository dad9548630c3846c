"""Which sampler, and what share of the budget before the local moves, finds the best excerpt score?

Every strategy is told the same baselines and spends the same trials. Mixes are demo mixes of seeds that nothing was
tuned on; a score is that of the real evaluation on two short excerpts, at one excerpt loudness a cell, so that all
scores of a cell compare. With `--kept` runs are kept in a file as they finish, so that a stopped benchmark goes on.

The rows of `cma` and `nsga` in the results so far are those of own versions of them, which are no longer here.
"""

import argparse
import json
import statistics
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import outside_samplers
from joblib import Parallel, delayed
from outside_samplers import OutsideSampler
from report import machine, save, table

from autochain.chain.settings import DRIVE, ChainSettings
from autochain.config import read_config
from autochain.config.model import Config, Coordinates, Ranges, Weights
from autochain.demo import make_demo
from autochain.measure.loudness import integrated_lufs, weighted_hops
from autochain.search.baselines import baseline_points
from autochain.search.descent import DescentSampler
from autochain.search.evaluator import Evaluator, Trial
from autochain.search.space import outline_at
from autochain.search.staged import guess_from
from autochain.search.tpe import TpeSampler
from autochain.search.trials import Sampler
from autochain.solve.decisions import Decisions
from autochain.solve.excerpts import Span, choose_spans, whole_song
from autochain.solve.material import Material
from autochain.solve.outline import only_drive_left
from autochain.solve.solved import Guess

RATE_HZ = 44100
NOTHING_DECIDED = Decisions()


class Own:
    """A sampler of the search, told of trials as the others are."""

    def __init__(self, sampler: Sampler) -> None:
        self.ask = sampler.ask
        self._sampler = sampler

    def tell(self, trials: Sequence[Trial]) -> None:
        self._sampler.tell([trial.score for trial in trials])

    def known(self, point: Coordinates, trial: Trial) -> None:
        self._sampler.known(point, trial.score)


Make = Callable[[Config, int, int], Own | OutsideSampler]


def outside(make: Callable[[Ranges, int, Weights], OutsideSampler]) -> Make:
    return lambda config, seed, startup: make(config.search.ranges, seed, config.weights)


def tpe(config: Config, seed: int, startup: int) -> Own:
    return Own(TpeSampler(config.search.ranges, seed, startup))


def descent(config: Config, seed: int, startup: int) -> Own:
    return Own(DescentSampler(config.search.ranges, seed, NOTHING_DECIDED))


# What runs until which share of the budget, baselines included.
STRATEGIES: dict[str, tuple[tuple[float, Make], ...]] = {
    "random": ((1.0, outside(outside_samplers.random)),),
    "tpe": ((1.0, tpe),),
    "tpe 0.5, then local": ((0.5, tpe), (1.0, descent)),
    "tpe 0.25, then local": ((0.25, tpe), (1.0, descent)),
    "cma": ((1.0, outside(outside_samplers.cma)),),
    "cma 0.5, then local": ((0.5, outside(outside_samplers.cma)), (1.0, descent)),
    "nsga": ((1.0, outside(outside_samplers.nsga)),),
    "local": ((1.0, descent),),
}


class Cell:
    """One mix at one target: evaluates points, each once."""

    def __init__(self, character: str, demo_seed: int, lufs: float, config: Config) -> None:
        self.config = config
        plan, chain = config.search, config.chain_plan
        mix = np.ascontiguousarray(make_demo(character, RATE_HZ, 60.0, demo_seed), dtype=np.float32)
        hops = weighted_hops(mix, RATE_HZ)
        level = integrated_lufs(hops)
        assert level is not None
        self.ceiling = config.target.ceiling_dbtp - 0.1

        def evaluator(spans: Sequence[Span]) -> Evaluator:
            return Evaluator(Material(mix, RATE_HZ, hops, level, spans), config.weights, plan.drive, chain)

        whole = evaluator([whole_song(len(hops))])
        self.evaluator = evaluator(choose_spans(hops, level, plan.excerpts))
        self.evaluator.warm()
        # As a search calibrates: the loudness of the excerpts where the whole song is at the target.
        start = outline_at(plan.trade_default, NOTHING_DECIDED, self.ceiling, chain)
        song = whole.solve(start, lufs, Guess())
        same = Decisions(locks=ChainSettings({DRIVE: {"gain_db": song.solution.drive_db}}))
        heard = self.evaluator.solve(only_drive_left(song.settings, same), lufs, Guess())
        self.lufs = lufs - song.solution.reached_lufs + heard.solution.reached_lufs
        self.known: dict[str, Trial] = {}
        self.baselines = [point for _, point in baseline_points(plan.trade_default, plan.baselines)]
        self.parallel = Parallel(n_jobs=1)
        self.evaluate(self.baselines)

    def evaluate(self, points: Sequence[Coordinates]) -> list[Trial]:
        """Trials of points; the drive solve of a new one starts from all that are known."""
        new = {p.model_dump_json(): p for p in points if p.model_dump_json() not in self.known}
        before = list(self.known.values())
        found = self.parallel(delayed(self._one)(point, before) for point in new.values())
        self.known.update(zip(new, found, strict=True))
        return [self.known[p.model_dump_json()] for p in points]

    def _one(self, point: Coordinates, before: Sequence[Trial]) -> Trial:
        guess = guess_from(before, point, self.config.search.ranges)
        return self.evaluator.trial(point, NOTHING_DECIDED, self.ceiling, self.lufs, guess)


def run(cell: Cell, strategy: str, budget: int, seed: int) -> dict[str, Any]:
    """Spend one budget; the best score, and the sampler's own time."""
    plan = cell.config.search
    told = list(zip(cell.baselines, cell.evaluate(cell.baselines), strict=True))
    own_s, asked_for = 0.0, 0
    for share, make in STRATEGIES[strategy]:
        until = round(share * budget)
        if until <= len(told):
            continue
        clock = time.perf_counter()
        sampler = make(cell.config, seed, len(cell.baselines) + plan.startup)
        # The local moves start from the best; a sampler is taught the baselines.
        for point, trial in told:
            sampler.known(point, trial)
        while len(told) < until:
            points = sampler.ask(min(plan.batch, until - len(told)))
            own_s += time.perf_counter() - clock
            trials = cell.evaluate(points)
            clock = time.perf_counter()
            sampler.tell(trials)
            told += zip(points, trials, strict=True)
            asked_for += len(points)
        own_s += time.perf_counter() - clock
    scores = [trial.score for _, trial in told]
    return {"score": round(min(scores), 4), "own_ms": round(1000.0 * own_s / max(1, asked_for), 3)}


def page(runs: list[dict[str, Any]], budgets: Sequence[int]) -> str:
    """Tables: score minus the best that any run of the cell has found."""
    cells = sorted({(r["character"], r["lufs"]) for r in runs})
    floor = {c: min(r["score"] for r in runs if (r["character"], r["lufs"]) == c) for c in cells}
    baseline = {c: next(r["baseline"] for r in runs if (r["character"], r["lufs"]) == c) for c in cells}
    parts = []
    for budget in budgets:
        here = [r for r in runs if r["budget"] == budget]
        rows = []
        for strategy in STRATEGIES:
            own = [r for r in here if r["strategy"] == strategy]
            if not own:
                continue
            over = [r["score"] - floor[r["character"], r["lufs"]] for r in own]
            medians = [
                statistics.median(
                    r["score"] - floor[c] for r in own if (r["character"], r["lufs"]) == c
                ) if any((r["character"], r["lufs"]) == c for r in own) else None
                for c in cells
            ]  # fmt: skip
            low, _, high = statistics.quantiles(over, n=4) if len(over) > 1 else (over[0],) * 3
            rows.append(
                (
                    strategy, len(own), statistics.median(over), f"{low:.2f} to {high:.2f}", statistics.mean(over),
                    max(over), *medians,
                    statistics.median(r["own_ms"] for r in own),
                )
            )  # fmt: skip
        rows.sort(key=lambda row: row[4])
        mixes = (f"{character.replace('_', ' ')} {lufs:g}" for character, lufs in cells)
        head = ("strategy", "runs", "median", "quartiles", "mean", "worst", *mixes, "own ms")
        parts += [f"## {budget} trials", table(head, rows)]
    parts.append("## What there is to win")
    parts.append(
        table(
            ("mix", "LUFS", "best baseline", "best of all runs"),
            [(*c, baseline[c], floor[c]) for c in cells],
        )
    )
    return "\n\n".join(parts)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--characters", nargs="+", default=["dense_rock", "bass_heavy_electronic", "vocal_with_piano"])
    parser.add_argument("--lufs", type=float, nargs="+", default=[-10.5, -8.0])
    parser.add_argument("--seeds", type=int, nargs="+", default=[1, 2, 3])
    parser.add_argument("--budgets", type=int, nargs="+", default=[100, 200])
    parser.add_argument("--strategies", nargs="+", default=list(STRATEGIES), choices=list(STRATEGIES))
    parser.add_argument("--demo-seed", type=int, default=11)
    parser.add_argument("--kept", type=Path, default=None, help="where runs are kept as they finish, to go on from")
    args = parser.parse_args()
    where = machine()
    runs = [json.loads(line) for line in args.kept.read_text().splitlines()] if args.kept and args.kept.exists() else []
    done = {(r["character"], r["lufs"], r["strategy"], r["budget"], r["seed"]) for r in runs}
    for character in args.characters:
        for lufs in args.lufs:
            wanted = [
                (strategy, budget, seed)
                for seed in args.seeds
                for budget in args.budgets
                for strategy in args.strategies
                if (character, lufs, strategy, budget, seed) not in done
            ]
            if not wanted:
                continue
            excerpts = {"count": 2, "length_s": 4.0, "preroll_s": 1.2}
            overrides = {"target": {"lufs": lufs}, "search": {"excerpts": excerpts}}
            cell = Cell(character, args.demo_seed, lufs, read_config(None, overrides))
            baseline = min(cell.evaluate(cell.baselines), key=lambda t: t.score).score
            for strategy, budget, seed in wanted:
                clock, cpu, before = time.perf_counter(), time.process_time(), len(cell.known)
                found = run(cell, strategy, budget, seed)
                what = {"character": character, "lufs": lufs, "strategy": strategy, "budget": budget, "seed": seed}
                runs.append({**what, "baseline": baseline, **found})
                if args.kept:
                    with args.kept.open("a", encoding="utf-8") as file:
                        file.write(json.dumps(runs[-1]) + "\n")
                spent = f"{time.perf_counter() - clock:.0f} s, {time.process_time() - cpu:.0f} CPU-s"
                new = len(cell.known) - before
                print(f"{character} {lufs:g} {strategy} {budget} {seed}: {found['score']:.3f}"
                      f" ({baseline:.3f}) {new} new, {spent}", flush=True)  # fmt: skip
    shown = [r for r in runs if r["budget"] in args.budgets]
    asked = f"{len(args.characters)} mixes of 60 s, demo seed {args.demo_seed}, {len(args.seeds)} seeds of the search."
    text = (
        f"Score minus the best score that any run of the cell has found (lower is better); {asked} "
        "`own ms` is the sampler's time for one trial. Baselines (31) and random points (24) come before the model, so "
        "`tpe 0.5` models nothing up to 110 trials, `tpe 0.25` up to 220.\n\n"
        + page(shown, args.budgets)
    )
    save("samplers", "Which sampler finds the best score?", where, {"runs": shown}, text)


if __name__ == "__main__":
    main()
