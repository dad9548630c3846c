"""How far from the best there could be do dialled settings end, as far as noise over the mask goes?

Each cell is the loudest 21 s of a recording, 6 or 9 dB over the loudness that gain alone reaches (less where that would
be louder than -7 LUFS). Three masters of one loudness under one true-peak ceiling: a limiter of 60 ms alone, the
suggestion of a whole search on the cut (default budget, without corrective cuts), and the bound of `bound.py`, which
knows every frame. In dB of added distortion as the score prices it,

    reached = (limiter - suggestion) / (limiter - bound).

The bound minimises noise over mask and nothing else, and its gain stands still. The suggestion weighs movement, crest
and more against that noise, and may move the gain, so 100 % is no aim and not even a limit.

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
from judges.panel import readings
from judges.protocol import Pair, pair
from real_recordings import recordings
from recording_cuts import RATE_HZ, Cut, cut
from report import machine, save, table
from wider.sound import PLAIN, Base

from autochain.audio.mix import Samples
from autochain.chain.chain import DEFAULT
from autochain.measure.distortion import DistortionReference
from autochain.measure.loudness import integrated_lufs, weighted_hops
from autochain.measure.true_peak import read_true_peak
from autochain.search.costs import counted_db
from autochain.search.request import RunOptions, SearchRequest
from autochain.search.run import MeasuredMix

QUESTION = "How far from the best there could be do dialled settings end?"
ODD = (1, 7, 13, 17, 21, 23, 25, 29)
EVEN = (2, 6, 20, 22, 26, 28)
LIMITER = Base(release_ms=60.0, clip_db=0.0)
SHOWN = {"noise_to_mask_db": (1.0, "{:.1f}"), "distance": (1e4, "{:.2f}"), "opinion_lost": (1.0, "{:.0f}")}
MASTERS = ("limiter", "suggestion", "bound")


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
        "lufs": lufs, "true_peak_dbtp": peak, "nmr_db": found.nmr_db, "priced_db": counted_db(found.nmr_db),
        **readings(some, CHOOSING),
    }  # fmt: skip


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
    if limiter is None or not chosen.met:
        return {"recording": cell.recording, "above_db": cell.above_db, "lufs": cell.lufs, "masters": {}}
    distortion = DistortionReference(behind.samples, RATE_HZ, behind.own_lufs)
    at_bound = time.process_time()
    clipper = BoundClipper(behind.samples, RATE_HZ, behind.own_lufs)
    bound, gain_db = clipper.at(cell.lufs, cell.config.target.ceiling_dbtp)
    bounded = time.process_time()
    sounds = {"limiter": limiter.sound.samples, "suggestion": suggestion, "bound": bound}
    return {
        "recording": cell.recording, "above_db": cell.above_db, "lufs": cell.lufs, "bound_gain_db": gain_db,
        "settings": chosen.settings.plain(), "score": chosen.score,
        "masters": {name: told(behind.samples, sound, distortion) for name, sound in sounds.items()},
        "cpu_s": {"search": searched - began, "bound": bounded - at_bound, "all": time.process_time() - began},
    }  # fmt: skip


def reached(cell: Mapping[str, Any]) -> float | None:
    """Per cent of the way from the limiter to the bound; None where the bound is not under the limiter."""
    limiter, suggestion, bound = (cell["masters"][name]["priced_db"] for name in MASTERS)
    return 100.0 * (limiter - suggestion) / (limiter - bound) if limiter - bound > 0.1 else None


def page(cells: Sequence[Mapping[str, Any]], excess: float) -> str:
    """The whole result."""
    parts = [
        "Added distortion as the score prices it (dB above its knee; less is better) and three outside judges, for a "
        "limiter of 60 ms, the suggestion, and a clipper that minimises noise over mask frame by frame with a gain "
        "that stands still. It is no limit to what moves the gain, and says nothing of movement, crest or punch. "
        f"On small problems the iteration ends {excess:.0e} over the optimum that scipy finds."
    ]
    for odd, title in ((1, "Odd numbers"), (0, "Even numbers, held back")):
        some = [cell for cell in cells if cell["recording"] % 2 == odd and cell["masters"]]
        if not some:
            continue
        shares = [share for cell in some if (share := reached(cell)) is not None]
        missed = sum(cell["recording"] % 2 == odd and not cell["masters"] for cell in cells)
        line = (
            f"Dialled settings reach {statistics.median(shares):.0f} % of it (median of {len(shares)} cells, "
            f"{min(shares):.0f} to {max(shares):.0f} %)." if shares else "The bound is nowhere under the limiter."
        )  # fmt: skip
        body = []
        for cell in some:
            masters, share = cell["masters"], reached(cell)
            body.append(
                (cell["recording"], f"{cell['above_db']:g}", cell["lufs"],
                 *(masters[name]["priced_db"] for name in MASTERS), "–" if share is None else f"{share:.0f} %",
                 *(" / ".join(form.format(factor * masters[name][judge]) for name in MASTERS)
                   for judge, (factor, form) in SHOWN.items()))
            )  # fmt: skip
        head = ("recording", "dB over gain", "LUFS", *(f"{name}, priced dB" for name in MASTERS), "reached",
                "noise-to-mask (dB)", "distance (1e-4)", "opinion lost")  # fmt: skip
        parts += [f"## {title}", line + (f" {missed} cells missed the target." if missed else ""), table(head, body)]
    parts.append("Judges: limiter / suggestion / bound.")
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
