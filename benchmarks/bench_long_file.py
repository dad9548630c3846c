"""How much memory and time does a long file take: to measure, to check, through the chain, to suggest and to render?

A subprocess measures the file, another checks it, another sends it through every stage of the chain into a 24-bit file.
The commands suggest and render do their whole job on it. Each reports its own peak of resident memory. Beside it: a
file of a sixth of the length, which shows how both grow, and a process that only imports, which shows what is there
before. With --only, what is left out stands as an earlier run has left it.
"""

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from report import RESULTS, machine, save, table

RATE_HZ = 44100
TARGET_PEAK_GB = {"measure": 1.0, "check": 1.5, "chain": 1.0, "suggest": 1.5, "render": 1.5}
_UNIT_S = 60.0


def write_song(path: Path, seconds: float) -> None:
    """16-bit stereo file of that length, made of one minute of a demo mix again and again, in blocks."""
    # Only here: on Linux a child starts with the peak memory of the process that starts it.
    import numpy as np
    import soundfile

    from autochain.demo import make_demo

    minute = make_demo("dense_rock", RATE_HZ, duration_s=_UNIT_S)
    with soundfile.SoundFile(path, "w", RATE_HZ, 2, "PCM_16") as file:
        left = round(seconds * RATE_HZ)
        turn = 0
        while left:
            # Every minute at another level, so that nothing repeats exactly and the loudest part is not the first.
            block = minute[: min(left, len(minute))] * 10.0 ** (-0.1 * (turn * 7 % 10))
            file.write(np.clip(block, -1.0, 1.0))
            left -= len(block)
            turn += 1


def measure_here(path: str) -> None:
    """Measure in this process and print time, peak memory and a few figures as JSON."""
    from autochain.measure.measurement import measure_file

    start, cpu = time.perf_counter(), time.process_time()
    figures = measure_file(path).figures.as_dict() if path else {}
    tell(start, cpu, figures)


def check_here(path: str) -> None:
    """Check in this process, as the command does, and print the same."""
    from autochain.tasks.check import CheckRequest, check

    start, cpu = time.perf_counter(), time.process_time()
    check(CheckRequest(sources=[Path(path)]))
    tell(start, cpu, {})


def chain_here(path: str) -> None:
    """Run every stage of the chain in this process, block by block from file to file, and print the same."""
    from bench_chain import SETTINGS

    from autochain.audio.blocks import read_blocks
    from autochain.audio.files import write_wav
    from autochain.chain.chain import DEFAULT

    start, cpu = time.perf_counter(), time.process_time()
    blocks = read_blocks(path)
    runner = DEFAULT.stream(blocks.rate_hz, blocks.channels, DEFAULT.checked(SETTINGS))
    write_wav(Path(path).with_suffix(".out.wav"), runner.run(blocks), blocks.rate_hz, seed=1)
    tell(start, cpu, {})


def suggest_here(path: str) -> None:
    """Run the command in this process: sheet and page of a mix at -11 LUFS, and print the same."""
    command("suggest", path, "--lufs", "-11", "-o", str(Path(path).parent), "--force")


def render_here(path: str) -> None:
    """Run the command on what `suggest` has written: the 24-bit master, read back, and print the same."""
    sheet, out = Path(path).with_suffix(".sheet.json"), Path(path).parent
    command("render", path, "--sheet", str(sheet), "-o", str(out), "--force")


def command(*words: str) -> None:
    """Run a command of autochain, which prints its result elsewhere, and tell."""
    from autochain.cli.main import main as autochain

    start, cpu, out = time.perf_counter(), time.process_time(), os.dup(1)
    sys.argv = ["autochain", *words, "--no-log"]
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
    try:
        autochain()
    except SystemExit as ended:
        if ended.code:
            raise
    sys.stdout.flush()
    os.dup2(out, 1)
    tell(start, cpu, {})


HERE = {
    "measure": measure_here, "check": check_here, "chain": chain_here, "suggest": suggest_here, "render": render_here
}  # fmt: skip


def tell(start: float, cpu: float, figures: dict[str, Any]) -> None:
    """Print time, peak memory and figures as JSON."""
    usage = resource.getrusage(resource.RUSAGE_SELF)
    result = {
        "wall_s": time.perf_counter() - start,
        "cpu_s": time.process_time() - cpu,
        "peak_gb": usage.ru_maxrss * 1024 / 1e9,
        "figures": figures,
    }
    print(json.dumps(result))


def ran(task: str, path: Path | str) -> dict[str, Any]:
    """What a process of its own says of one task of `HERE`."""
    called = [sys.executable, __file__, "--task", task, str(path)]
    run = subprocess.run(called, check=True, stdout=subprocess.PIPE, text=True)
    return dict(json.loads(run.stdout))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--hours", type=float, default=2.0)
    parser.add_argument("--format", choices=("wav", "flac"), default="flac")
    parser.add_argument("--only", nargs="+", choices=tuple(HERE), default=tuple(HERE))
    parser.add_argument("--task", nargs=2, help=argparse.SUPPRESS)
    parser.add_argument("--make", type=Path, help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.make is not None:
        write_song(args.make, 3600.0 * args.hours)
        return
    if args.task is not None:
        HERE[args.task[0]](args.task[1])
        return
    where = machine()
    seconds = {"long": 3600.0 * args.hours, "short": 600.0 * args.hours}
    with tempfile.TemporaryDirectory() as folder:
        paths = {name: Path(folder, f"{name}.{args.format}") for name in seconds}
        for name, path in paths.items():
            hours = f"{seconds[name] / 3600.0:g}"
            subprocess.run([sys.executable, __file__, "--make", str(path), "--hours", hours], check=True)
        first = Path(folder, "first.wav")
        subprocess.run([sys.executable, __file__, "--make", str(first), "--hours", "0.01"], check=True)
        size_gb = paths["long"].stat().st_size / 1e9
        nothing = ran("measure", "")
        earlier = {} if args.only == tuple(HERE) else json.loads((RESULTS / "long_file.json").read_text())["runs"]
        runs = {(task, name): earlier[f"{task} {name}"] for task in HERE for name in paths if task not in args.only}
        for task in args.only:
            ran(task, first)  # compiles, or loads what was compiled
            for name, path in paths.items():
                runs[task, name] = ran(task, path)
                path.with_suffix(".out.wav").unlink(missing_ok=True)
    rows = [("imports alone", 0.0, nothing["cpu_s"], None, nothing["peak_gb"])] + [
        (f"{task}, {name} file", s / 3600.0, run["cpu_s"], round(s / run["cpu_s"]), run["peak_gb"])
        for task in HERE
        for name, s in seconds.items()
        for run in (runs[task, name],)
    ]
    named = {" ".join(key): run for key, run in runs.items()}
    met = all(runs[task, "long"]["peak_gb"] < most for task, most in TARGET_PEAK_GB.items())
    targets = ", ".join(f"{task} {most:g} GB" for task, most in TARGET_PEAK_GB.items())
    save(
        "long_file", "How much memory and time does a long file take?", where,
        {"seconds": seconds, "format": args.format, "imports": nothing, "runs": named},
        f"Stereo 44.1 kHz, 16-bit {args.format.upper()} ({size_gb:.2f} GB; as float32 samples "
        f"{seconds['long'] * RATE_HZ * 8 / 1e9:.1f} GB), every figure and course of `measure_file`, "
        f"every stage of the chain into a 24-bit file, sheet and page of `suggest` at -11 LUFS, and the 24-bit master "
        f"of `render`, read back by two meters; decoding and writing included. Run last: "
        f"{', '.join(args.only)}. "
        f"Most peak resident memory: {targets}: {'met' if met else 'MISSED'}.\n\n"
        + table(("", "hours", "CPU s", "x real time", "peak memory, GB"), rows),
    )  # fmt: skip


if __name__ == "__main__":
    main()
