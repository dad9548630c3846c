"""Which widenings of the chain do outside judges gain from, on real recordings at equal loudness and ceiling?

A cell is the loudest 21 s of a recording, 6 or 9 dB over the loudness that gain alone reaches (less where that would be
louder than -7 LUFS), behind the rotation that the package chooses. Its base chains are a soft clipper that takes 0, 2
or 4 dB off the highest peak, and a limiter of 5, 30, 90 or 200 ms. Every setting of a candidate (`wider/`) is tried
around the best base, the best setting also around the second best. The last candidate is no widening: as many more
tries with the plain chain, since the best of more tries is better in any case. A widening has to gain more than that.

Every master has the same loudness (0.02 LU) under the same true-peak ceiling. Settings are chosen by the mean rank of
three judges on two stretches (distance on one), without looking for a static filter. The best base and the best of each
candidate then go before the judges by their protocol on two stretches: three judges where the recording is odd, four
where it is even. `gained`: more judges are clearly better (0.5 dB of noise-to-mask, 5 % of the other
readings) than clearly worse. The slow hearing index is left out. No judge was held against listeners on masters at
equal loudness.
"""

import argparse
import json
import statistics
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from judges.panel import HARMLESS, mean_rank, readings
from judges.protocol import Pair, loudness_lufs, pair, stretches
from real_recordings import recordings
from recording_cuts import RATE_HZ, Cut, cut
from report import machine, save, table
from wider import CANDIDATES
from wider.sound import PLAIN, Base, Setting, Sound

from autochain.audio.mix import Samples
from autochain.chain.settings import CLIPPER, DRIVE, LIMITER, ChainSettings
from autochain.chain.stage import GainTrace
from autochain.config import read_config
from autochain.measure.loudness import integrated_lufs, weighted_hops
from autochain.measure.true_peak import read_true_peak
from autochain.search.costs import CostReference, Costs, score
from autochain.solve.drive import Solution, solve_drive
from autochain.solve.excerpts import whole_song
from autochain.solve.material import Material
from autochain.solve.solved import Solved
from autochain.units import db_to_linear

QUESTION = "Which widenings of the chain do outside judges gain from?"
RELEASES_MS = (5.0, 30.0, 90.0, 200.0)
CLIPS_DB = (0.0, 2.0, 4.0)
CHOOSING = ("noise_to_mask_db", "distance", "opinion_lost")
JUDGES = (*CHOOSING, "similarity_lost")
CONTROL = "plain chain, finer"
CLEAR_DB, CLEAR_RATIO = 0.5, 1.05
ODD = (1, 21, 13, 25, 7, 23, 5, 17, 15, 29)
EVEN = (2, 6, 12, 20, 22, 24, 26, 28)
_EXPECTED_LOSS_DB = 2.0
_SLOPE = 0.75
_MOST_CEILINGS = 4


@dataclass(frozen=True)
class Master:
    """A setting around a base, brought to the cell's loudness."""

    setting: Setting
    base: Base
    sound: Sound
    solution: Solution
    ceiling_dbtp: float
    chosen_by: dict[str, float]


def mastered(cell: Cut, setting: Setting, base: Base) -> Master | None:
    """Solve the gain for the loudness and lower the ceiling until three meters hold it; None where out of reach."""
    before = cell.samples if setting.front is None else setting.front(cell.samples)
    gain_alone = cell.lufs - cell.own_lufs
    ceiling, start, slope = cell.config.target.ceiling_dbtp - 0.1, gain_alone + _EXPECTED_LOSS_DB, _SLOPE
    for _ in range(_MOST_CEILINGS):
        made: dict[float, Sound] = {}

        def loudness_at(gain_db: float, made: dict[float, Sound] = made, ceiling: float = ceiling) -> float:
            turned_up = Sound(samples=before * np.float32(db_to_linear(gain_db)))
            made[gain_db] = setting.play(turned_up, base, ceiling)
            lufs = integrated_lufs(weighted_hops(made[gain_db].samples, RATE_HZ))
            return -70.0 if lufs is None else lufs

        solution = solve_drive(
            loudness_at, cell.lufs, start_db=start, slope=slope, plan=cell.config.search.drive, gain_alone_db=gain_alone
        )
        if not solution.met:
            return None
        sound = made[solution.drive_db]
        highest = read_true_peak(sound.samples, RATE_HZ).highest_dbtp
        excess = 0.0 if highest is None else highest - cell.config.target.ceiling_dbtp
        if excess <= 0.0:
            return Master(setting, base, sound, solution, ceiling, quick(cell, before, sound.samples))
        ceiling -= np.ceil(10.0 * excess) / 10.0
        start, slope = solution.drive_db + excess * (1.0 - solution.slope) / solution.slope, solution.slope
    return None


def quick(cell: Cut, before: Samples, output: Samples) -> dict[str, float]:
    """What three judges say in a hurry: behind the known front of the chain and a gain, with no filter to be found."""
    at = stretches(cell.samples)
    x, y = ([sound[part].astype(np.float64) for part in at[::2]] for sound in (before, output))
    lufs = loudness_lufs(y)
    gain = db_to_linear(lufs - loudness_lufs(x))
    x = [part * gain for part in x]
    both, one = Pair(reference=x, master=y, lufs=lufs), Pair(reference=x[:1], master=y[:1], lufs=lufs)
    return {**readings(both, ("noise_to_mask_db", "opinion_lost")), **readings(one, ("distance",))}


def verdict(cell: Cut, output: Samples) -> dict[str, float]:
    """What the judges say by their protocol."""
    heard = pair(cell.samples, output)
    some = Pair(reference=heard.reference[::2], master=heard.master[::2], lufs=heard.lufs)
    return readings(some, JUDGES if cell.recording % 2 == 0 else CHOOSING)


def ranked(masters: Sequence[Master]) -> list[Master]:
    """By mean rank of the judges that choose, best first."""
    ranks = mean_rank([one.chosen_by for one in masters])
    return [masters[k] for k in np.argsort(ranks, kind="stable")]


def own_costs(cell: Cut, master: Master, references: dict[str, CostReference]) -> dict[str, float]:
    """What the project's own measures say, behind the linear front of a setting."""
    key = "" if master.setting.front is None else master.setting.name
    if key not in references:
        before = cell.samples if master.setting.front is None else master.setting.front(cell.samples)
        hops = weighted_hops(before, RATE_HZ)
        lufs = integrated_lufs(hops)
        assert lufs is not None
        references[key] = CostReference(Material(before, RATE_HZ, hops, lufs, [whole_song(len(hops))]))
    reference = references[key]
    taken = master.sound.taken
    moving = GainTrace(
        max_db=np.sum([trace.max_db for trace in taken], axis=0, dtype=np.float32),
        mean_db=np.sum([trace.mean_db for trace in taken], axis=0, dtype=np.float32),
    )
    first = {} if master.sound.first_dbfs is None else {CLIPPER: {"ceiling_dbfs": master.sound.first_dbfs}}
    settings = {DRIVE: {"gain_db": master.solution.drive_db}, **first, LIMITER: {"ceiling_dbtp": master.ceiling_dbtp}}
    output = master.sound.samples
    solved = Solved(
        settings=ChainSettings(settings), solution=master.solution, loss_db=0.0,
        before_peaks=[reference.material.segments[0].samples], rendered=[output], traces=[{LIMITER: moving}],
        hops=[weighted_hops(output, RATE_HZ)], true_peak_dbtp=None,
    )  # fmt: skip
    return reference.costs(solved).as_dict()


def run(cell: Cut, candidates: Sequence[str], releases_ms: Sequence[float]) -> dict[str, Any] | None:
    """All masters of a cell, and what the judges say of the best; None where plain chains do not get there."""
    began = time.process_time()
    grid = [Base(release_ms=release, clip_db=clip) for release in releases_ms for clip in CLIPS_DB]
    reached = [one for base in grid if (one := mastered(cell, PLAIN, base)) is not None]
    if len(reached) < 2:
        return None
    bases = ranked(reached)
    best, second = bases[0], bases[1]
    tried = {base_name(one): one.chosen_by for one in bases}
    finalists = {"plain": best}
    for name in candidates:
        around = [one for setting in CANDIDATES[name] if (one := mastered(cell, setting, best.base)) is not None]
        if not around:
            continue
        again = mastered(cell, ranked(around)[0].setting, second.base)
        masters = [*around, *([] if again is None else [again])]
        tried |= {f"{name}: {one.setting.name} around {base_name(one)}": one.chosen_by for one in masters}
        finalists[name] = ranked(masters)[0]
    references: dict[str, CostReference] = {}
    told = {}
    for name, one in finalists.items():
        costs = own_costs(cell, one, references)
        told[name] = {
            "setting": one.setting.name, "base": base_name(one), "gain_db": one.solution.drive_db,
            "ceiling_dbtp": one.ceiling_dbtp, "lufs": one.solution.reached_lufs, "costs": costs,
            "judges": verdict(cell, one.sound.samples),
        }  # fmt: skip
    return {
        "recording": cell.recording, "above_db": cell.above_db, "lufs": cell.lufs, "rotated": cell.rotated,
        "finalists": told, "tried": tried, "cpu_s": time.process_time() - began,
    }  # fmt: skip


def base_name(master: Master) -> str:
    """Release and clip of a master's base."""
    return f"{master.base.release_ms:g} ms, {master.base.clip_db:g} dB"


def says(mine: Mapping[str, float], other: Mapping[str, float], clearly: bool) -> int:
    """Judges for `mine` less judges for `other`; what is harmless ties."""
    votes = 0
    for name in mine:
        a, b = (max(one[name], HARMLESS[name]) for one in (mine, other))
        if name.endswith("_db"):
            lead, margin = b - a, CLEAR_DB
        else:
            lead, margin = float(np.log(b / a)), float(np.log(CLEAR_RATIO))
        votes += int(np.sign(lead)) if abs(lead) > (margin if clearly else 0.0) else 0
    return votes


def change(mine: Mapping[str, float], other: Mapping[str, float], name: str) -> float:
    """How much less a judge reads of `mine`: dB of noise-to-mask, per cent of the rest; more is better."""
    a, b = (max(one[name], HARMLESS[name]) for one in (mine, other))
    return b - a if name.endswith("_db") else 100.0 * (b - a) / b


def beyond_trade(cell: Mapping[str, Any], candidate: str) -> float:
    """How much less noise over mask the best setting adds than plain chains of the same distance and opinion, in dB.

    By the readings that settings were chosen by. Plain chains are joined by straight lines over the logarithm of
    distance, and over opinion lost; the worse of both counts. What reads less than any of them is held against the
    least of theirs.
    """
    plain = [one for name, one in cell["tried"].items() if ":" not in name]
    own = [one for name, one in cell["tried"].items() if name.startswith(candidate + ":")]
    if candidate != CONTROL:
        plain += [one for name, one in cell["tried"].items() if name.startswith(CONTROL + ":")]

    def over(judge: str, one: Mapping[str, float]) -> float:
        places: list[tuple[float, float]] = []
        for at in sorted((np.log(p[judge]) if judge == "distance" else p[judge], p["noise_to_mask_db"]) for p in plain):
            if not places or at[1] < places[-1][1]:
                places.append(at)
        x = np.log(one[judge]) if judge == "distance" else one[judge]
        readings, noises = zip(*places, strict=True)
        return float(np.interp(x, readings, noises)) - one["noise_to_mask_db"]

    return max(min(over("distance", one), over("opinion_lost", one)) for one in own)


def priced(finalist: Mapping[str, Any]) -> float:
    """Its score by today's weights."""
    return score(Costs(**finalist["costs"]), read_config(None, {}).weights)


def line(name: str, cells: Sequence[Mapping[str, Any]]) -> tuple[Any, ...] | None:
    """A candidate's row over the cells of one half."""
    rows = [(cell["finalists"][name], cell["finalists"]["plain"], cell) for cell in cells if name in cell["finalists"]]
    if not rows:
        return None
    ranks = []
    for _, _, cell in rows:
        of = dict(zip(cell["finalists"], mean_rank([f["judges"] for f in cell["finalists"].values()]), strict=True))
        ranks.append(of["plain"] - of[name])
    beyond = [beyond_trade(cell, name) for _, _, cell in rows]
    gained = [says(m["judges"], p["judges"], True) for m, p, _ in rows]
    tried = [says(m["judges"], cell["finalists"][CONTROL]["judges"], True) for m, _, cell in rows]
    recordings_gained = {cell["recording"] for (_, _, cell), g in zip(rows, gained, strict=True) if g > 0}
    return (
        name, f"{sum(g > 0 for g in gained)} / {sum(g < 0 for g in gained)} of {len(rows)}",
        f"{len(recordings_gained)} of {len({cell['recording'] for _, _, cell in rows})}",
        "–" if name == CONTROL else f"{sum(t > 0 for t in tried)} / {sum(t < 0 for t in tried)}",
        middle(ranks, "{:+.2f}"),
        *(middle([change(m["judges"], p["judges"], judge) for m, p, _ in rows], form)
          if judge in rows[0][0]["judges"] else None
          for judge, form in zip(JUDGES, ("{:+.2f}", "{:+.1f}", "{:+.1f}", "{:+.1f}"), strict=True)),
        f"{middle(beyond, '{:+.2f}')} ({sum(b > CLEAR_DB for b in beyond)} of {len(rows)})",
        middle([priced(p) - priced(m) for m, p, _ in rows], "{:+.2f}"),
    )  # fmt: skip


def middle(values: Sequence[float], form: str) -> str:
    """Median."""
    return form.format(statistics.median(values))


HEAD = (
    "candidate", "cells gained / lost", "recordings gained", "against finer plain chains", "mean rank better by",
    "noise-to-mask lower (dB)", "distance lower (%)", "opinion lost lower (%)", "similarity lost lower (%)",
    f"noise-to-mask lower at equal other readings (dB; cells over {CLEAR_DB:g})", "score lower",
)  # fmt: skip


def half_table(cells: Sequence[Mapping[str, Any]]) -> str:
    """All candidates over one half."""
    rows = [row for name in CANDIDATES if (row := line(name, cells)) is not None]
    return table(HEAD, rows)


def cells_table(cells: Sequence[Mapping[str, Any]]) -> str:
    """Per cell what was best, and the votes of the judges for it."""
    names = [name for name in CANDIDATES if any(name in cell["finalists"] for cell in cells)]
    body = []
    for cell in cells:
        plain = cell["finalists"]["plain"]
        votes = [
            None if (one := cell["finalists"].get(name)) is None
            else f"{says(one['judges'], plain['judges'], True):+d} ({one['setting']})"
            for name in names
        ]  # fmt: skip
        body.append((cell["recording"], f"{cell['above_db']:g}", cell["lufs"], plain["base"], *votes))
    return table(("recording", "dB over gain", "LUFS", "best base", *names), body)


def page(cells: Sequence[Mapping[str, Any]], verdicts: str) -> str:
    """The whole result."""
    parts = [verdicts.strip()] if verdicts else []
    for odd, title in ((1, "Odd numbers, chosen on"), (0, "Even numbers, held back")):
        some = [cell for cell in cells if cell["recording"] % 2 == odd]
        if some:
            parts += [f"## {title}", half_table(some), cells_table(some)]
    return "\n\n".join(
        [
            "Medians over cells of the best master with a candidate beside the best without; better is positive "
            f"everywhere. A cell is gained when more of the judges are clearly better ({CLEAR_DB:g} dB of "
            f"noise-to-mask, {CLEAR_RATIO - 1.0:.0%} of a reading) than clearly worse. `{CONTROL}` is no widening: "
            "what as many more tries give; the fourth column counts cells gained and lost against that. In the second "
            "tables votes of the judges, and the setting.",
            *parts,
        ]
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path, nargs="?", help="recordings, numbered; only the report without")
    parser.add_argument("--half", choices=("odd", "even"), default="odd")
    parser.add_argument("--only", type=int, nargs="*", help="numbers of recordings")
    parser.add_argument("--above", type=float, nargs="*", help="dB over gain alone; 6 and 9 in turns without")
    parser.add_argument("--candidates", nargs="*", default=list(CANDIDATES), choices=list(CANDIDATES))
    parser.add_argument("--releases", type=float, nargs="*", default=RELEASES_MS, help="of the base chains, ms")
    parser.add_argument("--cells", type=Path, required=True, help="file of cells, added to")
    parser.add_argument("--verdicts", type=Path, help="Markdown put first in the report")
    args = parser.parse_args()
    where = machine()
    cells = json.loads(args.cells.read_text()) if args.cells.exists() else {}
    chosen = args.only or (ODD if args.half == "odd" else EVEN)
    found = recordings(args.folder, args.half) if args.folder else {}
    for turn, (number, path) in enumerate((n, found[n]) for n in chosen if n in found):
        for above in args.above or ((6.0, 9.0)[turn % 2],):
            key = f"{number}/{above:g}"
            if key in cells:
                continue
            cell = cut(number, path, above)
            if cell is None:
                print(number, "leaves too little room", flush=True)
                continue
            found_cell = run(cell, args.candidates, args.releases)
            if found_cell is None:
                print(key, "no plain chain reaches it", flush=True)
                continue
            cells[key] = found_cell
            args.cells.write_text(json.dumps(cells, indent=1))
            print(key, f"{cell.lufs:g} LUFS", f"{cells[key]['cpu_s']:.0f} s", flush=True)
    ordered = sorted(cells.values(), key=lambda cell: (cell["recording"], cell["above_db"]))
    verdicts = args.verdicts.read_text(encoding="utf-8") if args.verdicts else ""
    save("wider", QUESTION, where, {"cells": ordered}, page(ordered, verdicts))


if __name__ == "__main__":
    main()
