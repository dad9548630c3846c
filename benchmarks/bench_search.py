"""Is the suggestion better than what a careful hand, a fast limiter or plain luck would find, and who says so?

Five characters of demo mix, four targets, three seeds (the demo's seed is 20 + the search's: nobody has looked at
these mixes while weights were chosen). Every chain is brought to the same loudness under the same ceiling on the
whole song. Two outside judges that the search never sees (`judges/`) have a say beside the score and its raw terms.

Every cell is written down as soon as it is done (`results/search.jsonl`), so that a run that was stopped goes on.
"""

import argparse
import hashlib
import json
import multiprocessing
import os
import time
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path
from typing import Any

import numpy as np
from judges.noise_to_mask import noise_to_mask_db
from judges.perceptual_distance import perceptual_distance
from judges.protocol import RATE_HZ, pair
from report import RESULTS, machine, save
from search_tables import page

from autochain.audio.mix import Mix, Samples
from autochain.chain.settings import CLIPPER, DRIVE, LIMITER, OUTPUT, ChainSettings
from autochain.config import read_config
from autochain.config.model import Config
from autochain.demo import CHARACTERS, demo_song, make_demo
from autochain.measure.loudness import integrated_lufs, weighted_hops
from autochain.search.baselines import CLIP_AND_LIMIT
from autochain.search.evaluator import Evaluator
from autochain.search.request import RunOptions, SearchRequest
from autochain.search.result import Verified
from autochain.search.run import MeasuredMix, suggest
from autochain.search.verify import Contender, verify
from autochain.solve.decisions import Decisions
from autochain.solve.excerpts import Span
from autochain.solve.material import Material
from autochain.solve.solved import Guess

QUESTION = "Is the suggestion better than the chains it has to beat, and do outside judges agree?"
TARGETS_LUFS = (-11.0, -9.0, -8.0, -7.0)
SEEDS = (1, 2, 3)
FIRST_DEMO_SEED = 20
MORE = 5  # times the trials for the longer random search
MORE_TARGETS_LUFS = (-9.0,)  # and only there: it takes longer than all the rest of a cell
DEFAULT_SECONDS = 60.0
# Plain luck starts from one limiter, one clipper with limiter and the trade default, not from the tuned baselines.
BARE = {"release_ms": [90.0], "lookahead_ms": [3.0]}
CELLS = RESULTS / "search.jsonl"

Cell = tuple[str, float, int]


def code() -> str:
    """Short hash of the package and of what the judges read: cells of different code do not belong in one table."""
    top = Path(__file__).resolve().parent
    files = sorted([*(top.parent / "autochain").rglob("*.py"), *(top / "judges").glob("*.py")])
    files.remove(top / "judges" / "verdict.py")  # margins are applied to the readings when tables are made
    return hashlib.sha256(b"".join(file.read_bytes() for file in files)).hexdigest()[:12]


def config_for(cell: Cell, budget: int, **search: Any) -> Config:
    """Default configuration at the target and seed of a cell."""
    character, lufs, seed = cell
    target = {"lufs": lufs, "ceiling_dbtp": demo_song(character).ceiling_dbtp}
    return read_config(None, {"target": target, "search": {"seed": seed, "budget": budget, **search}})


class Song:
    """A mix, and chains brought to its target on the whole of it."""

    def __init__(self, mix: Mix, config: Config, linear: ChainSettings) -> None:
        self.mix = mix
        self.config = config
        self.chain = config.chain_plan
        self.linear = linear.only(self.chain.linear)
        start = self.chain.render(mix.samples, mix.rate_hz, self.linear, stages=self.chain.leading).samples
        hops = weighted_hops(start, mix.rate_hz)
        level = integrated_lufs(hops)
        assert level is not None
        span = Span(start_hop=0, stop_hop=len(hops), preroll_hops=0, reason="whole song")
        material = Material(start, mix.rate_hz, hops, level, [span])
        self.song = Evaluator(material, config.weights, config.search.drive, self.chain)

    def brought_to_target(self, name: str, level_stages: ChainSettings) -> Verified:
        """Solve the drive of a chain behind the suggestion's own linear stages, and measure it."""
        settings = self.linear | ChainSettings({DRIVE: {}, OUTPUT: {}}) | level_stages
        contender = Contender(
            name=name,
            settings=self.chain.checked(settings),
            target=self.config.target,
            decisions=Decisions(),
            guess=Guess(),
        )
        return verify(contender, self.song)

    def fast_limiter(self) -> Verified:
        """1.5 ms look-ahead and 5 ms release, alone."""
        limiter = {"ceiling_dbtp": self._ceiling, "lookahead_ms": 1.5, "release_ms": 5.0}
        return self.brought_to_target("fast_limiter", ChainSettings({LIMITER: limiter}))

    def soft_clip_and_limiter(self) -> Verified:
        """A fixed soft clip 1.5 dB above a limiter of 3 ms look-ahead and 60 ms release."""
        limiter = {"ceiling_dbtp": self._ceiling, "lookahead_ms": 3.0, "release_ms": 60.0}
        clipper = {"ceiling_dbfs": self._ceiling + 1.5, "softness": 50.0}
        return self.brought_to_target("soft_clip_and_limiter", ChainSettings({CLIPPER: clipper, LIMITER: limiter}))

    @property
    def _ceiling(self) -> float:
        return self.config.target.ceiling_dbtp - 0.1  # as every trial has it: it is lowered until three meters agree

    def render(self, chain: Verified) -> Samples:
        """What a verified chain sounds like."""
        return self.chain.render(self.mix.samples, self.mix.rate_hz, chain.settings).samples


def run_cell(cell: Cell, seconds: float, budget: int, more: bool, first_demo_seed: int) -> dict[str, Any]:
    """Search one mix for one target, and put every chain before the judges."""
    character, lufs, seed = cell
    began = time.perf_counter(), time.process_time()
    samples = np.ascontiguousarray(
        make_demo(character, RATE_HZ, duration_s=seconds, seed=first_demo_seed + seed), dtype=np.float32
    )
    mix = Mix(samples=samples, rate_hz=RATE_HZ, file="demo.wav", sha256="", subtype="FLOAT")
    config = config_for(cell, budget)
    reached = MeasuredMix.of(SearchRequest(mix=mix, config=config), RunOptions()).ready().reach(config.target)
    found = reached.suggestion
    at_search = time.process_time()
    song = Song(mix, config, found.chosen.settings)
    chains = {"suggestion": found.chosen, **found.baselines}
    family = [trial for name, trial in reached.spent.families if name == CLIP_AND_LIMIT]
    tuned = min(family, key=lambda trial: trial.score)
    chains["clip_and_limit"] = song.brought_to_target(
        "clip_and_limit", tuned.settings.only((CLIPPER, LIMITER))
    )
    chains["fast_limiter"] = song.fast_limiter()
    chains["soft_clip_and_limiter"] = song.soft_clip_and_limiter()
    for name, trials, own in (
        ("random", budget, {"baselines": BARE}),
        ("random_more", MORE * budget, {"baselines": BARE}),
        ("random_tuned", budget, {}),
    ):
        if name == "random" or more:
            # All of the budget is the spread that comes before any model.
            luck = config_for(cell, trials, startup=trials, sensitivity_trials=0, **own)
            chains[name] = suggest(SearchRequest(mix=mix, config=luck)).chosen
    at_chains = time.process_time()
    return {
        "character": character, "lufs": lufs, "seed": seed, "demo_seed": first_demo_seed + seed,
        "seconds": seconds, "budget": budget, "code": code(), "weights": config.weights.model_dump(),
        "stats": {
            "trials": found.stats.trials, "feasible": found.stats.feasible, "chosen_from": found.stats.chosen_from,
            "on_edge": list(found.stats.on_edge), "spread": found.stats.spread,
        },
        "chains": {
            name: described(chain, samples, None if name.startswith("random") else song)
            for name, chain in chains.items()
        },
        "wall_s": time.perf_counter() - began[0],
        "cpu_s": {"search": at_search - began[1], "others": at_chains - at_search,
                  "judges": time.process_time() - at_chains},
    }  # fmt: skip


def described(chain: Verified, mix: Samples, song: Song | None) -> dict[str, Any]:
    """Costs and settings of one chain and, with the song to render it on, what the judges say."""
    row: dict[str, Any] = {
        "met": chain.met, "score": chain.score, "costs": chain.costs.as_dict(), "settings": chain.settings.plain(),
        "lufs": chain.after.integrated_lufs, "true_peak_dbtp": chain.after.true_peak_dbtp,
    }  # fmt: skip
    if chain.met and song is not None:
        heard = pair(mix, song.render(chain))
        row["judges"] = {**noise_to_mask_db(heard), "distance": perceptual_distance(heard)}
    return row


def parse_cells(texts: list[str], more_seeds: list[int]) -> list[tuple[Cell, bool]]:
    """Cells named as character:lufs:seed, empty parts meaning all, each with whether to search at random for longer."""
    cells: list[Cell] = []
    for text in texts or ["::"]:
        character, lufs, seed = text.split(":")
        cells += [
            (c, t, s)
            for s in SEEDS
            for c in CHARACTERS
            for t in TARGETS_LUFS
            if character in ("", c) and lufs in ("", f"{t:g}") and seed in ("", str(s))
        ]
    return [(cell, cell[2] in more_seeds and cell[1] in MORE_TARGETS_LUFS) for cell in dict.fromkeys(cells)]


def kept(file: Path, seconds: float, budget: int, first_demo_seed: int, of: str) -> dict[Cell, dict[str, Any]]:
    """Cells that an earlier run of the same plan, weights and code (`of`, or any code when empty) has left."""
    if not file.exists():
        return {}
    weights = config_for((CHARACTERS[0], TARGETS_LUFS[0], 1), budget).weights.model_dump()
    same = (seconds, budget, weights, first_demo_seed)
    rows = [json.loads(line) for line in file.read_text(encoding="utf-8").splitlines()]
    return {
        (row["character"], row["lufs"], row["seed"]): row
        for row in rows
        if (row["seconds"], row["budget"], row["weights"], row["demo_seed"] - row["seed"]) == same
        and of in ("", row["code"])
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cells", nargs="+", default=[], metavar="CHARACTER:LUFS:SEED", help="empty parts mean all")
    parser.add_argument(
        "--more", type=int, nargs="*", default=[1],
        help=f"seeds with {MORE} times the random trials, and random trials from the tuned baselines",
    )  # fmt: skip
    parser.add_argument("--seconds", type=float, default=DEFAULT_SECONDS)
    parser.add_argument("--budget", type=int, default=200)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--demo-seed", type=int, default=FIRST_DEMO_SEED, help="added to seeds; 0 for trying it out")
    parser.add_argument("--report-only", action="store_true", help="only write the tables of the cells there are")
    parser.add_argument("--name", default="search", help="of the files in results/")
    args = parser.parse_args()
    where = machine()
    file = CELLS.with_stem(args.name)
    done = kept(file, args.seconds, args.budget, args.demo_seed, "" if args.report_only else code())
    wanted = parse_cells(args.cells, args.more)
    left = [] if args.report_only else [(cell, more) for cell, more in wanted if cell not in done]
    os.environ["OMP_NUM_THREADS"] = os.environ["OPENBLAS_NUM_THREADS"] = "1"  # for the workers: one core each
    fresh = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(max_workers=args.workers, mp_context=fresh) as pool:
        plan = args.seconds, args.budget
        futures = {pool.submit(run_cell, cell, *plan, more, args.demo_seed): cell for cell, more in left}
        for future in as_completed(futures):
            row = future.result()
            done[futures[future]] = row
            with file.open("a", encoding="utf-8") as out:
                out.write(json.dumps(row) + "\n")
            print(f"{futures[future]}: {row['wall_s']:.0f} s, {len(done)} cells", flush=True)
    rows = [done[cell] for cell, _ in wanted if cell in done]
    save(args.name, QUESTION, where, {"cells": rows}, page(rows))


if __name__ == "__main__":
    main()
