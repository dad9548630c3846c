"""How much memory and time does a long file take, to measure, to check and to render through the whole chain?

A subprocess measures the file, another checks it, another renders it into a 24-bit file, and each reports its own peak
of resident memory. Beside it, in the same run: a file of a sixth of the length, which shows how both grow, and a
process that only imports, which shows what is there before.
"""

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from report import machine, save, table

RATE_HZ = 44100
TARGET_PEAK_GB = {"measure": 1.0, "check": 1.5, "render": 1.0}
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


def render_here(path: str) -> None:
    """Render in this process, every stage at work, block by block from file to file, and print the same."""
    from bench_chain import SETTINGS

    from autochain.audio.blocks import read_blocks
    from autochain.audio.files import write_wav
    from autochain.chain.chain import DEFAULT

    start, cpu = time.perf_counter(), time.process_time()
    blocks = read_blocks(path)
    runner = DEFAULT.stream(blocks.rate_hz, blocks.channels, DEFAULT.checked(SETTINGS))
    write_wav(Path(path).with_suffix(".out.wav"), runner.run(blocks), blocks.rate_hz, seed=1)
    tell(start, cpu, {})


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
    """What a process of its own says of one task: `measure`, `check` or `render`."""
    run = subprocess.run([sys.executable, __file__, f"--{task}", str(path)], check=True, capture_output=True, text=True)
    return dict(json.loads(run.stdout))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--hours", type=float, default=2.0)
    parser.add_argument("--format", choices=("wav", "flac"), default="flac")
    parser.add_argument("--measure", help=argparse.SUPPRESS)
    parser.add_argument("--check", help=argparse.SUPPRESS)
    parser.add_argument("--render", help=argparse.SUPPRESS)
    parser.add_argument("--make", type=Path, help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.make is not None:
        write_song(args.make, 3600.0 * args.hours)
        return
    if args.measure is not None:
        measure_here(args.measure)
        return
    if args.check is not None:
        check_here(args.check)
        return
    if args.render is not None:
        render_here(args.render)
        return
    where = machine()
    seconds = {"long": 3600.0 * args.hours, "short": 600.0 * args.hours}
    with tempfile.TemporaryDirectory() as folder:
        paths = {name: Path(folder, f"{name}.{args.format}") for name in seconds}
        for name, path in paths.items():
            hours = f"{seconds[name] / 3600.0:g}"
            subprocess.run([sys.executable, __file__, "--make", str(path), "--hours", hours], check=True)
        size_gb = paths["long"].stat().st_size / 1e9
        tasks = tuple(TARGET_PEAK_GB)
        for task in tasks:
            ran(task, paths["short"])  # compiles, or loads what was compiled
            paths["short"].with_suffix(".out.wav").unlink(missing_ok=True)
        nothing = ran("measure", "")
        runs = {(task, name): ran(task, path) for task in tasks for name, path in paths.items()}
    rows = [("imports alone", 0.0, nothing["cpu_s"], None, nothing["peak_gb"])] + [
        (f"{task}, {name} file", s / 3600.0, run["cpu_s"], round(s / run["cpu_s"]), run["peak_gb"])
        for (task, name), run in runs.items()
        for s in (seconds[name],)
    ]
    named = {" ".join(key): run for key, run in runs.items()}
    met = all(runs[task, "long"]["peak_gb"] < most for task, most in TARGET_PEAK_GB.items())
    targets = ", ".join(f"{task} {most:g} GB" for task, most in TARGET_PEAK_GB.items())
    save(
        "long_file", "How much memory and time does a long file take?", where,
        {"seconds": seconds, "format": args.format, "imports": nothing, "runs": named},
        f"Stereo 44.1 kHz, 16-bit {args.format.upper()} ({size_gb:.2f} GB; as float32 samples "
        f"{seconds['long'] * RATE_HZ * 8 / 1e9:.1f} GB), every figure and course of `measure_file`, "
        f"and every stage of the chain into a 24-bit file; decoding and writing included. "
        f"Most peak resident memory: {targets}: {'met' if met else 'MISSED'}.\n\n"
        + table(("", "hours", "CPU s", "x real time", "peak memory, GB"), rows),
    )  # fmt: skip


if __name__ == "__main__":
    main()
