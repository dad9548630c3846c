"""Do the excerpts rank settings as the whole song does, and is their loudness the song's?

Settings near the best of a search and drawn at random, each brought to the target twice: on the excerpts at the
calibrated loudness, as a trial is, and on the whole song. Spearman's rank correlation of every cost and of the
score; beside it that of the first excerpt alone, on which trials are cut short. Then random settings once more: how
far from the target the song lies at the drive that the excerpts give.
"""

import argparse
from dataclasses import replace
from typing import Any

import numpy as np
from report import machine, save, table
from scipy.stats import spearmanr

from autochain.audio.mix import Mix
from autochain.config import read_config
from autochain.demo import CHARACTERS, demo_song, make_demo
from autochain.search.costs import COST_NAMES
from autochain.search.evaluator import Aim
from autochain.search.request import RunOptions, SearchRequest
from autochain.search.run import MeasuredMix
from autochain.search.space import from_vector, outline_at, to_vector
from autochain.search.trials import Trials
from autochain.solve.solved import Guess

QUESTION = "Do the excerpts rank settings as the whole song does?"
RATE_HZ = 44100
NEAR = 0.12  # of a range: spread of the settings near the best
MOVED = 0.4  # share of the coordinates that such a setting moves
SHOWN = (*COST_NAMES, "score")


def compare(character: str, lufs: float, seconds: float, demo_seed: int, settings: int, budget: int) -> dict[str, Any]:
    """Costs on excerpts and song, and loudness left over, for one mix."""
    samples = np.ascontiguousarray(make_demo(character, RATE_HZ, duration_s=seconds, seed=demo_seed), dtype=np.float32)
    mix = Mix(samples=samples, rate_hz=RATE_HZ, file="demo.wav", sha256="", subtype="FLOAT")
    target = {"lufs": lufs, "ceiling_dbtp": demo_song(character).ceiling_dbtp}
    config = read_config(None, {"target": target, "search": {"budget": budget}})
    run = RunOptions(jobs=2)
    ready = MeasuredMix.of(SearchRequest(mix=mix, config=config), run).ready()
    excerpts, song, ranges = ready.excerpts, ready.song, config.search.ranges
    spent = Trials(excerpts, song, config, ready.binding, run).spend(sides=False)
    song.warm()
    random = np.random.default_rng(7)
    assert spent.best.coordinates is not None
    best = np.asarray(np.clip(to_vector(spent.best.coordinates, ranges), 0.0, 1.0))
    near = settings // 2
    points = [
        np.clip(best + NEAR * random.standard_normal(best.size) * (random.random(best.size) < MOVED), 0.0, 1.0)
        for _ in range(near)
    ] + [random.random(best.size) for _ in range(settings - near)]
    rows: list[Any] = []
    left: list[float] = []
    for place, vector in enumerate(points):
        point = from_vector(vector, ranges)
        guess = Guess(loss_db=spent.best.loss_db)
        asked = point, spent.binding.searched, spent.limiter_ceiling_dbtp
        part = excerpts.trial(*asked, spent.aim, guess)
        whole = song.trial(*asked, Aim(lufs=lufs), Guess(loss_db=part.loss_db, slope=part.solution.slope))
        if not (part.solution.met and whole.solution.met):
            continue
        rows.append((place < near, part, whole))
        if place >= near and len(left) < 20:
            plan = outline_at(*asked, song.chain)
            plan = replace(plan, drive_db=part.solution.drive_db)
            left.append(song.solve(plan, lufs, guess).solution.reached_lufs - lufs)

    def figures(trial: Any) -> list[float]:
        return [*(getattr(trial.costs, name) for name in COST_NAMES), trial.score]

    def ranks(rows: list[Any], which: int) -> dict[str, float | None]:
        mine, theirs = np.array([figures(r[which]) for r in rows]), np.array([figures(r[2]) for r in rows])
        return {
            # A cost that hardly moves has no order to keep.
            name: float(spearmanr(mine[:, i], theirs[:, i])[0]) if np.ptp(theirs[:, i]) > 1e-3 else None
            for i, name in enumerate(SHOWN)
        }

    close = [r for r in rows if r[0]]
    return {
        "character": character, "lufs": lufs, "settings": len(rows), "near": len(close),
        "all": ranks(rows, 1), "near_best": ranks(close, 1),
        "left_lu": left,
    }  # fmt: skip


def page(runs: list[dict[str, Any]]) -> str:
    """Tables of the runs."""
    head = ("cost", *(f"{r['character']}, {which}" for r in runs for which in ("all", "near the best")))
    rows = [(name, *(r[which][name] for r in runs for which in ("all", "near_best"))) for name in SHOWN]
    more = [
        (r["character"], f"{r['lufs']:g}", r["settings"], len(r["left_lu"]), _largest(r["left_lu"])) for r in runs
    ]
    names = ("mix", "LUFS", "settings")
    return "\n\n".join(
        [
            "Spearman's rank correlation between excerpts and whole song; a dash where the cost does not move.",
            table(head, rows),
            "The largest distance of the song from its target at the drive that the excerpts give, in LU:",
            table((*names, "random settings", "left over"), more),
        ]
    )


def _largest(values: list[float]) -> str | None:
    return f"{max(map(abs, values)):.3f}" if values else None


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--characters", nargs="+", default=list(CHARACTERS), choices=CHARACTERS)
    parser.add_argument("--lufs", type=float, default=-9.0)
    parser.add_argument("--seconds", type=float, default=120.0)
    parser.add_argument("--demo-seed", type=int, default=11)
    parser.add_argument("--settings", type=int, default=60)
    parser.add_argument("--budget", type=int, default=120)
    args = parser.parse_args()
    where = machine()
    runs = []
    for character in args.characters:
        runs.append(
            compare(character, args.lufs, args.seconds, args.demo_seed, args.settings, args.budget)
        )
        print(character, "done", flush=True)
    save("excerpts", QUESTION, where, {"runs": runs}, page(runs))


if __name__ == "__main__":
    main()
