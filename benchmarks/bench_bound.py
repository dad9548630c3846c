"""How far from the best there could be do dialled settings end, as far as noise over the mask goes?

Each cell is the loudest 21 s of a recording, 6 or 9 dB over the loudness that gain alone reaches (less where that would
be louder than -7 LUFS). Masters of one loudness under one true-peak ceiling: a
limiter of 60 ms alone; a hard clip of everything; the suggestion of a whole search on the cut (default budget, without
corrective cuts); and the clipper of `bound.py`, which knows every frame, twice: with a gain that stands still, and
behind the suggestion's own slow gain (read in windows of 40 ms every 10 ms). In dB of added distortion,

    reached = (plain - suggestion) / (plain - clipper).

The clipper minimises noise over mask and nothing else. A gain that moves slowly is no noise to the ear model, so a slow
limiter mostly ends under the clipper whose gain stands still, and is no start of a way to it; a hard clip, where that
clipper begins, is. The suggestion weighs movement, crest and more against noise, so 100 % is no aim.

The iteration is first held against scipy's bounded solver on small problems; nothing runs when it misses.
"""

import argparse
import json
import statistics
import time
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from bench_wider import CHOOSING, mastered
from bound import BoundClipper, check_solver
from bound_reached import LEAST_DB, MOVING, STILL, WAYS, reached, share
from judges.panel import readings
from judges.protocol import Pair, pair, slow_gain
from real_recordings import recordings
from recording_cuts import RATE_HZ, Cut, cut
from report import machine, save, table
from wider.sound import PLAIN, Base, Setting, Sound, clip, limit

from autochain.audio.mix import Samples
from autochain.chain.chain import DEFAULT
from autochain.measure.distortion import DistortionReference
from autochain.measure.loudness import integrated_lufs, weighted_hops
from autochain.measure.true_peak import read_true_peak
from autochain.search.request import RunOptions, SearchRequest
from autochain.search.run import MeasuredMix

QUESTION = "How far from the best there could be do dialled settings end?"
ODD = (1, 7, 13, 17, 21, 23, 25, 29)
EVEN = (2, 6, 20, 22, 26, 28)
LIMITER = Base(release_ms=60.0, clip_db=0.0)
SHOWN = {
    "nmr_db": (1.0, "{:.1f}"), "noise_to_mask_db": (1.0, "{:.1f}"), "distance": (1e4, "{:.2f}"),
    "opinion_lost": (1.0, "{:.0f}"),
}  # fmt: skip
MASTERS = ("limiter", "hard clip", "suggestion", STILL, MOVING)


def told(front: Samples, output: Samples, distortion: DistortionReference) -> dict[str, float]:
    """What the package's measure and three judges say."""
    found = distortion.compare(output)
    assert found is not None
    heard = pair(front, output)
    some = Pair(reference=heard.reference[::2], master=heard.master[::2], lufs=heard.lufs)
    lufs, peak = integrated_lufs(weighted_hops(output, RATE_HZ)), read_true_peak(output, RATE_HZ).highest_dbtp
    assert lufs is not None
    assert peak is not None
    return {
        "lufs": lufs, "true_peak_dbtp": peak, "nmr_db": found.nmr_db,
        **readings(some, CHOOSING),
    }  # fmt: skip


def hard_clip(sound: Sound, base: Base, ceiling_dbtp: float) -> Sound:
    """All the work by a hard clipper; a fast limiter takes what rings over."""
    clipped = clip(sound, max(0.0, sound.peak_dbfs - ceiling_dbtp), 0.0)
    return limit(clipped, ceiling_dbtp, 5.0, lookahead_ms=1.0)


def run(cell: Cut) -> dict[str, Any]:
    """All three masters of a cell."""
    began = time.process_time()
    request = SearchRequest(mix=cell.mix, config=cell.config)
    search = MeasuredMix.of(request, RunOptions(jobs=1)).ready().reach(cell.config.target, brief=True).suggestion
    chosen = search.chosen
    searched = time.process_time()
    linear = chosen.settings.only(DEFAULT.linear)
    front = DEFAULT.render(cell.mix.samples, RATE_HZ, linear, stages=DEFAULT.linear).samples
    suggestion = DEFAULT.render(cell.mix.samples, RATE_HZ, chosen.settings).samples
    behind = replace(cell, samples=np.ascontiguousarray(front))
    limiter = mastered(behind, PLAIN, LIMITER)
    hard = mastered(behind, Setting(name="hard clip", play=hard_clip), LIMITER)
    if hard is None or not chosen.met:
        return {"recording": cell.recording, "above_db": cell.above_db, "lufs": cell.lufs, "masters": {}}
    distortion = DistortionReference(behind.samples, RATE_HZ, behind.own_lufs)
    at_bound = time.process_time()
    still = clipped(behind.samples, cell)
    slow = slow_gain(behind.samples.astype(np.float64), suggestion.astype(np.float64))
    moved = (behind.samples * (slow / np.median(slow))[:, None]).astype(np.float32)
    sounds = {
        **({} if limiter is None else {"limiter": limiter.sound.samples}),
        "hard clip": hard.sound.samples,
        "suggestion": suggestion,
        STILL: still,
        MOVING: clipped(moved, cell),
    }
    bounded = time.process_time()
    return {
        "recording": cell.recording, "above_db": cell.above_db, "lufs": cell.lufs,
        "settings": chosen.settings.plain(), "score": chosen.score,
        "masters": {name: told(behind.samples, sound, distortion) for name, sound in sounds.items()},
        "cpu_s": {"search": searched - began, "bound": bounded - at_bound, "all": time.process_time() - began},
    }  # fmt: skip


def clipped(samples: Samples, cell: Cut) -> Samples:
    """The per-frame clipper at the cell's loudness and ceiling."""
    lufs = integrated_lufs(weighted_hops(samples, RATE_HZ))
    assert lufs is not None
    return BoundClipper(samples, RATE_HZ, lufs).at(cell.lufs, cell.config.target.ceiling_dbtp)


def reached_line(cells: Sequence[Mapping[str, Any]]) -> str:
    """What search tables may quote."""
    lines = []
    for plain, best in WAYS:
        shares = [one for cell in cells if (one := reached(cell, plain, best, False)) is not None]
        if shares:
            span = f"{statistics.median(shares):.0f} % of it ({min(shares):.0f} to {max(shares):.0f} %)"
            lines.append(f"- from the {plain} to the {best} dialled settings reach {span}, in {len(shares)} cells")
        else:
            lines.append(f"- from the {plain} to the {best} there is no way: it adds less, or does not get that loud")
    left = [cell["masters"]["suggestion"]["nmr_db"] - cell["masters"][MOVING]["nmr_db"] for cell in cells]
    return "\n".join(lines) + f"\n- what they leave to the {MOVING}: {statistics.median(left):.1f} dB in the median"


def page(cells: Sequence[Mapping[str, Any]], excess: float) -> str:
    """The whole result."""
    parts = [
        "Added distortion is the package's own noise-to-mask ratio; less is better in every figure, given as limiter "
        "of 60 ms / hard clip / suggestion / per-frame clipper with a gain that stands still / the same behind the "
        "suggestion's slow gain. That clipper minimises noise over mask and says nothing of movement, crest or punch. "
        f"A dash: it is less than {LEAST_DB:g} dB under the plain master, or a limiter does not get that loud. On "
        f"small problems the iteration ends {excess:.0e} over the optimum that scipy finds."
    ]
    for odd, title in ((1, "Odd numbers"), (0, "Even numbers, held back")):
        some = [cell for cell in cells if cell["recording"] % 2 == odd and cell["masters"]]
        if not some:
            continue
        missed = sum(cell["recording"] % 2 == odd and not cell["masters"] for cell in cells)
        body = []
        for cell in some:
            masters = cell["masters"]
            figures = [
                " / ".join(form.format(factor * masters[name][judge]) if name in masters else "–" for name in MASTERS)
                for judge, (factor, form) in SHOWN.items()
            ]
            shares = [share(reached(cell, *way, counted)) for way in WAYS for counted in (False, True)]
            body.append((cell["recording"], f"{cell['above_db']:g}", cell["lufs"], figures[0], *shares, *figures[1:]))
        head = ("recording", "dB over gain", "LUFS", "added distortion (dB)",
                *(what for plain, best in WAYS for what in (f"{plain} to {best}", "as the score counts")),
                "noise-to-mask, outside (dB)",
                "distance (1e-4)", "opinion lost")  # fmt: skip
        line = reached_line(some)
        parts += [f"## {title}", line + (f" {missed} cells missed the target." if missed else ""), table(head, body)]
    return "\n\n".join(parts)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path, nargs="?", help="recordings, numbered; only the report without")
    parser.add_argument("--half", choices=("odd", "even"), default="odd")
    parser.add_argument("--only", type=int, nargs="*", help="numbers of recordings")
    parser.add_argument("--cells", type=Path, required=True, help="file of cells, added to")
    args = parser.parse_args()
    where, excess = machine(), check_solver()
    cells = json.loads(args.cells.read_text()) if args.cells.exists() else {}
    chosen = ODD if args.half == "odd" else EVEN
    found = recordings(args.folder, args.half) if args.folder else {}
    for turn, (number, path) in enumerate((n, found[n]) for n in chosen if n in found):
        if str(number) in cells or (args.only and number not in args.only):
            continue
        cell = cut(number, path, (6.0, 9.0)[turn % 2], corrective=False)
        if cell is None:
            print(number, "leaves too little room", flush=True)
            continue
        cells[str(number)] = run(cell)
        args.cells.write_text(json.dumps(cells, indent=1))
        print(number, cells[str(number)].get("cpu_s"), flush=True)
    ordered = sorted(cells.values(), key=lambda cell: cell["recording"])
    save("bound", QUESTION, where, {"excess": excess, "cells": ordered}, page(ordered, excess))


if __name__ == "__main__":
    main()
