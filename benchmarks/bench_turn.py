"""How long until a turned knob is heard: 6 s of a mix rendered again, with the drive solved again for its loudness?

The place has 2 s in front of it that are rendered and not heard. One setting after the other is changed by what a hand
might turn it by; what is timed is all between the new setting and the sound at the old loudness, on one thread.
"""

import argparse
import statistics
import time

import numpy as np
from bench_chain import RATE_HZ, SETTINGS
from report import machine, save, table

from autochain.chain.chain import DEFAULT
from autochain.chain.settings import ChainSettings, StageName
from autochain.config import read_config
from autochain.demo import make_demo
from autochain.measure.loudness import integrated_lufs, weighted_hops
from autochain.solve.decisions import Decisions
from autochain.solve.excerpts import Span
from autochain.solve.material import Material
from autochain.solve.outline import only_drive_left
from autochain.solve.solved import Guess, Solved
from autochain.solve.solver import Solver

PLACE = Span(start_hop=3000, stop_hop=3600, preroll_hops=200, reason="a place")
# Linear, rendered before any knob is turned.
LEFT_OUT: tuple[StageName, ...] = ("rotation", "equaliser", "dynamic_bell", "tone")
TURNED: tuple[tuple[StageName, str, float], ...] = (
    ("bus_compressor", "threshold_db", -12.0),
    ("bus_compressor", "release_ms", 300.0),
    ("peak_compressor", "attack_ms", 3.0),
    ("clipper", "ceiling_dbfs", -1.0),
    ("clipper", "softness", 60.0),
    ("transient", "onset_db", 2.0),
    ("limiter", "lookahead_ms", 5.0),
    ("limiter", "release_ms", 30.0),
    ("limiter", "ceiling_dbtp", -1.5),
)  # fmt: skip


def solver_of(seconds: float) -> Solver:
    mix = np.ascontiguousarray(make_demo("dense_rock", RATE_HZ, duration_s=seconds), dtype=np.float32)
    hops = weighted_hops(mix, RATE_HZ)
    lufs = integrated_lufs(hops)
    assert lufs is not None
    drive = read_config(None, {"target": {"lufs": -9.0, "ceiling_dbtp": -1.0}}).search.drive
    return Solver(Material(mix, RATE_HZ, hops, lufs, [PLACE]), drive, DEFAULT)


def turn(solver: Solver, settings: ChainSettings, lufs: float, guess: Guess) -> Solved:
    return solver.solve(only_drive_left(settings, Decisions()), lufs, guess)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=5)
    args = parser.parse_args()
    where = machine()
    solver = solver_of(60.0)
    settings = DEFAULT.checked(SETTINGS).without(*LEFT_OUT)
    lufs = solver.material.integrated_lufs + settings["drive"]["gain_db"] - 2.0
    here = turn(solver, settings, lufs, Guess())
    guess = Guess(loss_db=here.loss_db, slope=here.solution.slope)
    rows = []
    for stage, name, value in TURNED:
        changed = here.settings.with_(stage, {name: value})
        turn(solver, changed, lufs, guess)  # compiles, or loads what was compiled
        wall, cpu = [], []
        for _ in range(args.runs):
            started, spent = time.perf_counter(), time.process_time()
            again = turn(solver, changed, lufs, guess)
            cpu.append(1e3 * (time.process_time() - spent))
            wall.append(1e3 * (time.perf_counter() - started))
        off = again.solution.reached_lufs - lufs
        rows.append((f"{stage}.{name}", f"{value:g}", again.solution.renders, round(off, 3), min(cpu), min(wall)))
    head = ("turned", "to", "renders", "off the loudness (LU)", "CPU ms", "wall ms")
    most = max(row[-1] for row in rows)
    text = (
        f"6 s with 2 s in front, 44.1 kHz, stereo; the least of {args.runs} runs. Longest {most:.0f} ms, in the middle "
        f"{statistics.median(row[-1] for row in rows):.0f} ms; wanted is 150 ms.\n\n" + table(head, rows)
    )
    result = {"rows": rows, "settings": here.settings.plain()}
    save("turn", "How long until a turned knob is heard?", where, result, text)


if __name__ == "__main__":
    main()
