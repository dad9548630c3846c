"""By how much does the suggestion beat a tuned limiter and the trade default on a dense, loud mix?

The dense rock demo at -8 LUFS and -1 dBTP, searched with several seeds; every raw cost measured on the whole
song by the verification itself. The limiter is the best of the configured grid of releases and look-aheads.
"""

import argparse
import statistics
import time

import numpy as np
from report import machine, save, table

from autochain.audio.mix import Mix
from autochain.config import read_config
from autochain.demo import demo_song, make_demo
from autochain.search.baselines import LIMITER_ONLY, TRADE_DEFAULT
from autochain.search.costs import NAMES
from autochain.search.run import suggest

RATE_HZ = 44100
SAME = 0.05  # dB: closer than this counts as neither better nor worse


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
    runs = []
    for seed in args.seeds:
        search = {"seed": seed} | ({} if args.budget is None else {"budget": args.budget})
        target = {"lufs": args.lufs, "ceiling_dbtp": song.ceiling_dbtp}
        config = read_config(None, {"target": target, "search": search})
        start = time.perf_counter()
        found = suggest(mix, config, jobs=args.jobs)
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
                        "settings": v.settings,
                    }
                    for name, v in chains.items()
                },
            }
        )
        print(f"seed {seed}: {runs[-1]['wall_s']:.0f} s, chosen from {found.stats.chosen_from}", flush=True)

    def values(chain: str, name: str) -> list[float]:
        return [run["chains"][chain]["costs"][name] for run in runs]

    names = ("suggestion", LIMITER_ONLY, TRADE_DEFAULT)
    advantage = {
        name: {
            other: [b - a for a, b in zip(values("suggestion", name), values(other, name), strict=True)]
            for other in (LIMITER_ONLY, TRADE_DEFAULT)
        }
        for name in NAMES
    }

    def verdict(gains: list[float]) -> str:
        better, worse = sum(g > SAME for g in gains), sum(g < -SAME for g in gains)
        return f"{better} better, {worse} worse"

    rows = [
        (
            name,
            *(statistics.median(values(chain, name)) for chain in names),
            statistics.median(advantage[name][LIMITER_ONLY]),
            f"{min(advantage[name][LIMITER_ONLY]):.2f} to {max(advantage[name][LIMITER_ONLY]):.2f}",
            verdict(advantage[name][LIMITER_ONLY]),
            statistics.median(advantage[name][TRADE_DEFAULT]),
        )
        for name in NAMES
    ]
    scores = [statistics.median(run["chains"][chain]["score"] for run in runs) for chain in names]
    score_gains = [run["chains"][LIMITER_ONLY]["score"] - run["chains"]["suggestion"]["score"] for run in runs]
    rows.append(
        (
            "score", *scores, statistics.median(score_gains), f"{min(score_gains):.2f} to {max(score_gains):.2f}",
            verdict(score_gains), scores[2] - scores[0],
        )
    )  # fmt: skip
    chains_head = ("suggestion", "limiter only", "trade default")
    head = ("cost", *chains_head, "gain over limiter", "range", "seeds", "gain over trade")
    text = (
        f"{args.character}, {args.seconds:.0f} s, to {args.lufs:g} LUFS and {song.ceiling_dbtp:g} dBTP; seeds "
        f"{', '.join(map(str, args.seeds))}; medians over the seeds, dB (LU); a gain above 0 favours the suggestion; "
        f"closer than {SAME} counts as neither.\n\n{table(head, rows)}\n\n"
        + table(
            ("seed", "wall s", "trials", "reached the target", "chosen from", "on a range edge"),
            [
                (*(r[key] for key in ("seed", "wall_s", "trials", "feasible", "chosen_from")), ", ".join(r["on_edge"]))
                for r in runs
            ],
        )
    )
    result = {"character": args.character, "seconds": args.seconds, "target": {"lufs": args.lufs}, "runs": runs}
    result["advantage"] = advantage
    save("rock", "By how much does the suggestion beat a tuned limiter?", where, result, text)


if __name__ == "__main__":
    main()
