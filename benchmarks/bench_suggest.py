"""How long does `suggest` take on a 4-minute mix, where does the time go, and how much memory does it need?

The parent process imports nothing large: a child's peak memory counts what its parent held when it started.
Every measurement is a fresh process. Three of them: the command line as a user runs it (wall time, CPU time,
peak resident memory); the same search with its phases timed; and a short mix with and without compiled code on
disk, the difference being what the first run after an installation costs.
"""

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from itertools import pairwise
from pathlib import Path
from typing import Any

from report import machine, save, table

TARGET_WALL_S, TARGET_PEAK_GB = 30.0, 1.0
TARGET_COMPILE_S = 15.0
TARGET_START_S = 1.5
RATE_HZ = 44100


def make(path: Path, seconds: float, character: str) -> None:
    """In a child: write a demo mix."""
    from autochain.audio.files import write_wav
    from autochain.demo import make_demo

    write_wav(path, make_demo(character, RATE_HZ, duration_s=seconds), RATE_HZ, seed=1, force=True)


def phases(path: Path, lufs: float, budget: int | None, jobs: int) -> None:
    """In a child: run the search, print wall and CPU seconds by phase. The first one starts before the imports."""
    marks = [("start and imports", time.perf_counter(), time.process_time())]

    def show(phase: str, done: float) -> None:
        if marks[-1][0] != phase:
            marks.append((phase, time.perf_counter(), time.process_time()))

    from autochain.audio.files import read_mix
    from autochain.config import read_config
    from autochain.search.request import RunOptions, SearchRequest
    from autochain.search.run import suggest
    from autochain.sheet import build_sheet, to_json, to_markdown

    search: dict[str, Any] = {} if budget is None else {"budget": budget}
    config = read_config(None, {"target": {"lufs": lufs}, "search": search})
    show("reading the file", 0.0)
    mix = read_mix(path)
    found = suggest(SearchRequest(mix=mix, config=config), RunOptions(jobs=jobs, progress=show))
    show("building the sheet", 0.0)
    sheet = build_sheet(found)
    to_json(sheet), to_markdown(sheet)
    show("end", 0.0)
    spent: dict[str, dict[str, float]] = {}
    for (phase, wall, cpu), (_, next_wall, next_cpu) in pairwise(marks):
        seconds = spent.setdefault(phase, {"wall_s": 0.0, "cpu_s": 0.0})
        seconds["wall_s"] += next_wall - wall
        seconds["cpu_s"] += next_cpu - cpu
    stats = {"trials": found.stats.trials, "feasible": found.stats.feasible, "mean_renders": found.stats.mean_renders}
    print(json.dumps({"phases": spent, **stats}))


def timed(command: list[str], env: dict[str, str] | None = None) -> dict[str, float]:
    """Run a command to its end: wall and CPU seconds, peak resident memory in GB, exit code."""
    start = time.perf_counter()
    child = subprocess.Popen(command, env=env, stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    per_gb = 1e9 if sys.platform == "darwin" else 1e9 / 1024  # ru_maxrss is in bytes there, in KiB on Linux
    return {
        "wall_s": time.perf_counter() - start,
        "cpu_s": usage.ru_utime + usage.ru_stime,
        "peak_gb": usage.ru_maxrss / per_gb,
        "exit_code": child.returncode,
    }


def cli(mix: Path, out: Path, lufs: float, budget: int | None, jobs: int) -> list[str]:
    command = [sys.executable, "-m", "autochain", "suggest", str(mix), "--lufs", f"{lufs:g}", "--ceiling", "-1"]
    command.append("--no-log")
    command += ["--jobs", str(jobs), "-o", str(out), "--force"]
    return command if budget is None else [*command, "--budget", str(budget)]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=float, default=240.0)
    parser.add_argument("--character", default="dense_rock")
    parser.add_argument("--lufs", type=float, default=-8.0)
    parser.add_argument("--budget", type=int, default=None, help="default: the configured one")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--make", type=Path, help=argparse.SUPPRESS)
    parser.add_argument("--phases", type=Path, help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.make is not None:
        make(args.make, args.seconds, args.character)
        return
    if args.phases is not None:
        phases(args.phases, args.lufs, args.budget, args.jobs)
        return
    where = machine()
    own = [sys.executable, __file__, "--character", args.character]
    own += ["--lufs", f"{args.lufs:g}", "--jobs", f"{args.jobs}"]
    if args.budget is not None:
        own += ["--budget", f"{args.budget}"]
    with tempfile.TemporaryDirectory() as folder:
        song, short, cache = Path(folder, "song.wav"), Path(folder, "short.wav"), Path(folder, "cache")
        for path, seconds in ((song, args.seconds), (short, 12.0)):
            subprocess.run([*own, "--make", str(path), "--seconds", f"{seconds:g}"], check=True)
        short_run = cli(short, Path(folder, "out"), args.lufs, 40, args.jobs)
        cold = timed(short_run, {**os.environ, "NUMBA_CACHE_DIR": str(cache)})
        warm = timed(short_run, {**os.environ, "NUMBA_CACHE_DIR": str(cache)})
        timed(short_run)  # so that the usual cache is warm, too
        whole = timed(cli(song, Path(folder, "out"), args.lufs, args.budget, args.jobs))
        split = subprocess.run([*own, "--phases", str(song)], check=True, capture_output=True, text=True)
    detail = json.loads(split.stdout)
    compile_s = cold["wall_s"] - warm["wall_s"]
    rows = [
        ("wall time, s", whole["wall_s"], TARGET_WALL_S),
        ("CPU time, s", whole["cpu_s"], None),
        ("peak resident memory, GB", whole["peak_gb"], TARGET_PEAK_GB),
        ("exit code", whole["exit_code"], None),
        ("compiling, first run only, s", compile_s, TARGET_COMPILE_S),
        ("start and imports of a later run, s", detail["phases"]["start and imports"]["wall_s"], TARGET_START_S),
    ]
    missed = [name for name, value, target in rows if target is not None and value >= target]
    text = (
        f"{args.character}, {args.seconds:.0f} s at 44.1 kHz, to {args.lufs:g} LUFS, {detail['trials']} trials "
        f"({detail['feasible']} reached the target, {detail['mean_renders']:.2f} renders each), --jobs {args.jobs}. "
        f"{'Missed: ' + '; '.join(missed) if missed else 'Targets met'}.\n\n"
        + table(("command line", "measured", "target"), rows)
        + "\n\nA second process, without the command line around it:\n\n"
        + table(("phase", "wall s", "CPU s"), [(name, *s.values()) for name, s in detail["phases"].items()])
    )
    save(
        "suggest", "How long does `suggest` take on a 4-minute mix?", where,
        {"request": {"seconds": args.seconds, "lufs": args.lufs, "jobs": args.jobs, "budget": detail["trials"]},
         "command_line": whole, "search": detail, "short_mix": {"cold": cold, "warm": warm}, "compile_s": compile_s},
        text,
    )  # fmt: skip


if __name__ == "__main__":
    main()
