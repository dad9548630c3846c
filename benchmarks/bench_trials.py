"""What do fewer trials, other starts and cheaper scores cost on real music? Scores of whole searches, side by side.

Every cell is a recording, a target and a seed: 60 s from its middle, brought to the loudness that gain alone reaches
under -1 dBTP and 3, 6 or 9 dB more, where that is no louder than -7 LUFS. The score is that of the suggestion on the
whole of it, at one loudness. A run keeps its cells in a file, so that two versions of the program are compared cell by
cell.
"""

import argparse
import json
import time
from dataclasses import replace
from pathlib import Path

from real_recordings import recordings

ABOVE_GAIN_ALONE_DB = (3.0, 6.0, 9.0)
CEILING_DBTP = -1.0
LOUDEST_LUFS = -7.0
LONGEST_S = 60.0


def middle(path):
    """The mix, or 60 s from its middle."""
    from autochain.audio.files import read_mix

    mix = read_mix(path)
    frames = round(LONGEST_S * mix.rate_hz)
    if len(mix.samples) <= 1.25 * frames:
        return mix
    first = (len(mix.samples) - frames) // 2
    return replace(mix, samples=mix.samples[first : first + frames].copy())


def searched(mix, seed: int, budget: int | None, jobs: int):
    """Yield the target above gain alone and what a search came to, for every target."""
    from autochain.config import read_config
    from autochain.search.request import RunOptions, SearchRequest
    from autochain.search.run import MeasuredMix

    search = {"seed": seed} | ({} if budget is None else {"budget": budget})
    config = read_config(None, {"target": {"lufs": -9.0, "ceiling_dbtp": CEILING_DBTP}, "search": search})
    measured = MeasuredMix.of(SearchRequest(mix=mix, config=config), RunOptions(jobs=jobs))
    gain_alone = measured.lufs + CEILING_DBTP - measured.peak_dbtp
    for above in ABOVE_GAIN_ALONE_DB:
        if gain_alone + above > LOUDEST_LUFS:
            continue
        target = config.target.model_copy(update={"lufs": round(gain_alone + above, 1)})
        # The rotation is chosen for the target, so that each has its own start.
        request = replace(measured.request, config=config.model_copy(update={"target": target}))
        ready = replace(measured, request=request).ready()
        start = time.process_time()
        reached = ready.reach(target, brief=True)
        spent = time.process_time() - start
        chosen, stats = reached.suggestion.chosen, reached.suggestion.stats
        simple = {name: b.score for name, b in reached.suggestion.baselines.items()}
        yield above, {
            "lufs": target.lufs, "score": chosen.score, "met": chosen.met, "cpu_s": spent, "trials": stats.trials,
            "renders": stats.mean_renders, "costs": chosen.costs.as_dict(), "settings": chosen.settings.plain(),
            "baselines": simple,
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
    args = parser.parse_args()
    cells = json.loads(args.cells.read_text()) if args.cells.exists() else {}
    for seed in args.seeds:
        for number, path in recordings(args.folder, args.half).items():
            if args.only and number not in args.only:
                continue
            if f"{number}/{ABOVE_GAIN_ALONE_DB[0]:g}/{seed}" in cells:
                continue
            try:
                for above, cell in searched(middle(path), seed, args.budget, args.jobs):
                    cells[f"{number}/{above:g}/{seed}"] = cell
                    told = f"{cell['score']:.3f} met {cell['met']} {cell['cpu_s']:.1f} s"
                    print(number, above, seed, told, flush=True)
            except Exception as problem:
                print(number, seed, type(problem).__name__, problem, flush=True)
            args.cells.write_text(json.dumps(cells, indent=1))


if __name__ == "__main__":
    main()
