"""How far apart do searches of one mix end that differ in nothing but their seed?"""

import argparse
import statistics
from concurrent.futures import ProcessPoolExecutor
from functools import partial

import numpy as np
from report import machine, save, table

from autochain.audio.mix import Mix
from autochain.config import read_config
from autochain.demo import CHARACTERS, demo_song, make_demo
from autochain.search.request import RunOptions, SearchRequest
from autochain.search.run import MeasuredMix

QUESTION = "How far apart do searches end that differ in nothing but their seed?"
RATE_HZ = 48000
DEMO_SEED = 21


def score_of(job: tuple[str, int], lufs: float, seconds: float, budget: int) -> tuple[float, float]:
    """Score of the suggestion on the whole song, and of the best trial on the excerpts."""
    character, seed = job
    samples = np.ascontiguousarray(make_demo(character, RATE_HZ, seconds, DEMO_SEED), dtype=np.float32)
    mix = Mix(samples=samples, rate_hz=RATE_HZ, file="demo.wav", sha256="", subtype="FLOAT")
    target = {"lufs": lufs, "ceiling_dbtp": demo_song(character).ceiling_dbtp}
    plan = {"seed": seed, "budget": budget, "sensitivity_trials": 0}
    config = read_config(None, {"target": target, "search": plan})
    reached = MeasuredMix.of(SearchRequest(mix=mix, config=config), RunOptions()).ready().reach(config.target)
    found = reached.suggestion
    assert found.chosen.met, f"{character}, seed {seed}: the target was missed, so scores do not compare"
    return found.chosen.score, reached.spent.best.score


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--characters", nargs="+", default=list(CHARACTERS), choices=CHARACTERS)
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--lufs", type=float, default=-9.0)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--budget", type=int, default=200)
    args = parser.parse_args()
    where = machine()
    jobs = [(character, seed) for character in args.characters for seed in range(1, args.seeds + 1)]
    with ProcessPoolExecutor(2) as pool:
        found = pool.map(partial(score_of, lufs=args.lufs, seconds=args.seconds, budget=args.budget), jobs)
    of = dict(zip(jobs, found, strict=True))
    rows = []
    for character in args.characters:
        song, excerpts = zip(*(of[character, seed] for seed in range(1, args.seeds + 1)), strict=True)
        apart = [max(scores) - min(scores) for scores in (song, excerpts)]
        rows.append((character, ", ".join(f"{score:.2f}" for score in song), *apart))
    middle = statistics.median(row[2] for row in rows)
    lead = (
        f"Mixes of {args.seconds:g} s, {args.lufs:g} LUFS, {args.budget} trials, seeds 1 to {args.seeds}. From best "
        f"to worst seed, on the whole song: {middle:.2f} in the middle, {max(row[2] for row in rows):.2f} at most."
    )
    head = ("mix", "score on the song", "from best to worst", "the same on the excerpts")
    save("seeds", QUESTION, where, {"rows": rows}, f"{lead}\n\n{table(head, rows)}")


if __name__ == "__main__":
    main()
