"""How many times as long as libebur128 do the commands take on one song, and how much memory do they need?

libebur128 reads integrated loudness, loudness range and true peak of the same file in the same run: its wall time is
the unit. Every command is a fresh process, as a user starts it; with `--before FOLDER` those of another checkout run by
turns with these. The least of all rounds counts, since other work only adds.
"""

import argparse
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from bench_suggest import timed
from report import machine, save, table

# Times the reference; seconds of CPU for help and version; GB.
AIMS = {"check": 1.5, "suggest": 5.0, "suggest, sheet printed": 5.0, "curve of nine": 12.0}
MOST_CPU_S = {"--help": 0.4, "--version": 0.4}
MOST_GB = 0.7
_BLOCK = 1 << 16


def reference(path: Path) -> None:
    """In a child: what libebur128 says of a file, read block by block."""
    import pyebur128
    import soundfile

    mode = pyebur128.MeasurementMode
    with soundfile.SoundFile(path) as file:
        state = pyebur128.R128State(file.channels, file.samplerate, mode.MODE_I | mode.MODE_LRA | mode.MODE_TRUE_PEAK)
        for block in file.blocks(_BLOCK, dtype="float32", always_2d=True):
            state.add_frames(block.reshape(-1), len(block))
        pyebur128.get_loudness_global(state), pyebur128.get_loudness_range(state)
        [pyebur128.get_true_peak(state, channel) for channel in range(file.channels)]


def first_output(command: list[str], env: dict[str, str]) -> float:
    """Wall seconds until a command has printed the heading of its sheet."""
    start = time.perf_counter()
    with subprocess.Popen(command, env=env, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL) as child:
        assert child.stdout is not None
        child.stdout.readline()
        spent = time.perf_counter() - start
        child.stdout.read()
    return spent


def commands(mix: Path, out: Path, lufs: float, jobs: int) -> dict[str, list[str]]:
    program = [sys.executable, "-P", "-m", "autochain"]  # -P: the checkout is named by PYTHONPATH, not by this folder
    loud = [f"{lufs - 4.0:g}", f"{lufs + 4.0:g}"]
    return {
        "--help": [*program, "--help"],
        "--version": [*program, "--version"],
        "check": [*program, "check", str(mix)],
        "suggest": [*program, "suggest", str(mix), "--lufs", f"{lufs:g}", "--no-log", "--jobs", str(jobs),
                    "-o", str(out), "--force"],
        "curve of nine": [*program, "curve", str(mix), "--from", loud[0], "--to", loud[1], "--jobs", str(jobs),
                          "-o", str(out), "--force"],
    }  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("mix", type=Path, help="a song of four to five minutes")
    parser.add_argument("--lufs", type=float, default=-9.0)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--before", type=Path, help="another checkout, whose commands run by turns with these")
    parser.add_argument("--only", nargs="*", help="names of commands")
    parser.add_argument("--reference", action="store_true", help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.reference:
        reference(args.mix)
        return
    where = machine()
    checkouts = {"now": Path(__file__).resolve().parents[1]} | ({"before": args.before} if args.before else {})
    found: dict[tuple[str, str], list[dict[str, Any]]] = {}
    with tempfile.TemporaryDirectory() as folder:
        for turn in range(args.rounds + 1):  # the first one compiles and fills the caches
            own = timed([sys.executable, __file__, str(args.mix), "--reference"])
            found.setdefault(("libebur128", ""), []).append(own)
            for version, checkout in checkouts.items():
                env = {**os.environ, "PYTHONPATH": str(checkout)}
                for name, command in commands(args.mix, Path(folder, version), args.lufs, args.jobs).items():
                    if args.only and name not in args.only:
                        continue
                    spent = timed(command, env)
                    if name == "suggest":
                        spent["printed_s"] = first_output(command, env)
                    found.setdefault((name, version), []).append(spent)
                    print(turn, version, name, {k: round(v, 2) for k, v in spent.items()}, flush=True)

    def least(key: tuple[str, str], what: str) -> float:
        return float(min(run[what] for run in found[key][1:]))

    unit = least(("libebur128", ""), "wall_s")
    rows: list[tuple[str, str, float, float | None, float, str, float | None]] = []
    for name, version in found:
        if not version:
            continue
        wall, cpu, memory = (least((name, version), what) for what in ("wall_s", "cpu_s", "peak_gb"))
        aim = f"{AIMS[name]:g} x" if name in AIMS else f"{MOST_CPU_S[name]:g} CPU-s" if name in MOST_CPU_S else ""
        rows.append((name, version, wall, cpu, wall / unit, aim, memory))
        if name == "suggest":
            printed = least((name, version), "printed_s")
            rows.append(("suggest, sheet printed", version, printed, None, printed / unit, "5 x", None))
    rows.sort(key=lambda row: (list(commands(args.mix, args.mix, 0.0, 1)).index(row[0].split(",")[0]), row[1]))
    text = (
        f"Recording {args.mix.stem.split('_')[0]}, to {args.lufs:g} LUFS, --jobs {args.jobs}, {args.rounds} rounds. "
        f"libebur128 takes {unit:.2f} s of wall time for integrated loudness, range and true peak of the same file, "
        f"Python's start among them. Memory: {MOST_GB} GB is the aim for `suggest`.\n\n"
        + table(("command", "version", "wall s", "CPU s", "times libebur128", "aim", "peak GB"), rows)
    )
    save("seconds", "How many times as long as libebur128 do the commands take?", where,
         {"runs": {" ".join(key): runs for key, runs in found.items()}}, text)  # fmt: skip


if __name__ == "__main__":
    main()
