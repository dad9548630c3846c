"""By how much does the suggestion beat a tuned limiter and the trade default on a dense, loud mix?

The dense rock demo at -8 LUFS and -1 dBTP, searched with several seeds; every raw cost measured on the whole
song by the verification itself. The limiter is the best of the configured grid of releases and look-aheads.
"""

import argparse
import statistics
import time
from typing import Any

import numpy as np
from report import machine, save, table

from autochain.audio.mix import Mix
from autochain.config import read_config
from autochain.demo import demo_song, make_demo
from autochain.search.baselines import LIMITER_ONLY, TRADE_DEFAULT
from autochain.search.costs import COST_NAMES
from autochain.search.request import RunOptions, SearchRequest
from autochain.search.run import suggest

RATE_HZ = 44100
CHAINS = ("suggestion", LIMITER_ONLY, TRADE_DEFAULT)
SAME = 0.05  # dB: closer than this counts as neither better nor worse


def page(result: dict[str, Any]) -> str:
    """Tables of a result."""
    runs, target = result["runs"], result["target"]

    def values(chain: str, name: str) -> list[float]:
        chains = [run["chains"][chain] for run in runs]
        return [c["score"] if name == "score" else c["costs"][name] for c in chains]

    def gains(other: str, name: str) -> list[float]:
        return [b - a for a, b in zip(values("suggestion", name), values(other, name), strict=True)]

    def verdict(gained: list[float]) -> str:
        better, worse = sum(g > SAME for g in gained), sum(g < -SAME for g in gained)
        return f"{better} better, {worse} worse"

    rows = [
        (
            name,
            *(statistics.median(values(chain, name)) for chain in CHAINS),
            statistics.median(gains(LIMITER_ONLY, name)),
            f"{min(gains(LIMITER_ONLY, name)):.2f} to {max(gains(LIMITER_ONLY, name)):.2f}",
            verdict(gains(LIMITER_ONLY, name)),
            statistics.median(gains(TRADE_DEFAULT, name)),
        )
        for name in (*COST_NAMES, "score")
    ]
    head = ("cost", *(c.replace("_", " ") for c in CHAINS), "gain over limiter", "range", "seeds", "gain over trade")
    asked = f"{target['lufs']:g} LUFS and {target['ceiling_dbtp']:g} dBTP"
    seeds = [
        (r["seed"], r["wall_s"], r["trials"], r["feasible"], r["chosen_from"], ", ".join(r["on_edge"]) or "none")
        for r in runs
    ]
    return "\n\n".join(
        [
            f"{result['character']}, {result['seconds']:.0f} s, to {asked}; medians over {len(runs)} seeds, dB (LU). "
            f"A gain above 0 favours the suggestion; closer than {SAME} counts as neither better nor worse.",
            table(head, rows),
            table(("seed", "wall s", "trials", "reached the target", "chosen from", "on a range edge"), seeds),
        ]
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--character", default="dense_rock")
    parser.add_argument("--lufs", type=float, default=-8.0)
    parser.add_argument("--seconds", type=float, default=120.0)
    parser.add_argument("--seeds", type=int, nargs="+", default=[1, 2, 3])
    parser.add_argument("--budget", type=int, default=None)
    parser.add_argument("--jobs", type=int, default=2)
    args = parser.parse_args()
    where = machine()
    song = demo_song(args.character)
    samples = np.ascontiguousarray(make_demo(args.character, RATE_HZ, duration_s=args.seconds), dtype=np.float32)
    mix = Mix(samples=samples, rate_hz=RATE_HZ, file="demo.wav", sha256="", subtype="FLOAT")
    target = {"lufs": args.lufs, "ceiling_dbtp": song.ceiling_dbtp}
    runs = []
    for seed in args.seeds:
        search = {"seed": seed} | ({} if args.budget is None else {"budget": args.budget})
        config = read_config(None, {"target": target, "search": search})
        start = time.perf_counter()
        found = suggest(SearchRequest(mix=mix, config=config), RunOptions(jobs=args.jobs))
        chains = {"suggestion": found.chosen, **found.baselines}
        runs.append(
            {
                "seed": seed,
                "wall_s": time.perf_counter() - start,
                "trials": found.stats.trials,
                "feasible": found.stats.feasible,
                "mean_renders": found.stats.mean_renders,
                "on_edge": found.stats.on_edge,
                "chosen_from": found.stats.chosen_from,
                "chains": {
                    name: {
                        "costs": v.costs.as_dict(),
                        "score": v.score,
                        "met": v.met,
                        "lufs": v.after.integrated_lufs,
                        "true_peak_dbtp": v.after.true_peak_dbtp,
                        "settings": v.settings.plain(),
                    }
                    for name, v in chains.items()
                },
            }
        )
        print(f"seed {seed}: {runs[-1]['wall_s']:.0f} s, chosen from {found.stats.chosen_from}", flush=True)

    weights = config.weights.model_dump()
    result = {
        "character": args.character, "seconds": args.seconds, "target": target, "weights": weights, "runs": runs,
    }  # fmt: skip
    save("rock", "By how much does the suggestion beat a tuned limiter?", where, result, page(result))


if __name__ == "__main__":
    main()
