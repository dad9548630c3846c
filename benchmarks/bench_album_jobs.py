"""Do two jobs halve the time of an album, with the same bytes, and does every track come out where it should?

Twelve invented tracks of five characters, levels up to 5.5 LU apart, under the relation policy. The command line in
fresh processes, one job and two. What two cores give at all is read in the same minutes, before, between and after:
two processes of plain arithmetic at once against one. Where other work takes the cores, wall times say nothing; then
the longest path does: CPU time of the process that hands out and of the busiest worker, which two free cores would take
at least. Every master is rendered from its sheet and read by libebur128.
"""

import argparse
import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from bench_suggest import timed
from report import machine, save, table

CHARACTERS = ("dense_rock", "bass_heavy_electronic", "brass_led_asymmetric", "vocal_with_piano", "sparse_acoustic")
RATE_HZ, TRACKS = 44100, 12
TIMES, OFF_LU, CEILING_DBTP = 1.8, 0.1, -1.0
ARITHMETIC = "x = 0\nfor k in range(30_000_000): x = (x * 31 + k) % 1_000_003"


QUESTION = "Do two jobs halve the time of an album, and does every track come out where it should?"


def make(folder: Path, seconds: float) -> None:
    """In a child: write the mixes, each of its own length, gain and seed."""
    from autochain.audio.files import write_wav
    from autochain.demo import make_demo

    for place in range(TRACKS):
        song = make_demo(CHARACTERS[place % 5], RATE_HZ, seconds * (0.7 + 0.05 * place), 40 + place)
        write_wav(folder / f"{place:02d}.wav", 10.0 ** (-(place * 7 % 12) / 40.0) * song, RATE_HZ, seed=1)


def two_at_once() -> float:
    """How many times faster two processes of plain arithmetic are at once than one after the other."""

    def took(count: int) -> float:
        start = time.perf_counter()
        running = [subprocess.Popen([sys.executable, "-c", ARITHMETIC]) for _ in range(count)]
        for one in running:
            one.wait()
        return time.perf_counter() - start

    return 2.0 * took(1) / took(2)


def longest_path_s(command: list[str]) -> float:
    """CPU time of a command's own process and of the busiest of those that it starts, in s (Linux)."""
    spent: dict[int, float] = {}
    tick = os.sysconf("SC_CLK_TCK")
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, start_new_session=True) as running:
        while running.poll() is None:
            for stat in Path("/proc").glob("[0-9]*/stat"):
                try:
                    fields = stat.read_text().rsplit(")", 1)[1].split()
                except OSError:
                    continue
                if int(fields[3]) == running.pid:  # the session that it began
                    spent[int(stat.parent.name)] = (int(fields[11]) + int(fields[12])) / tick
            time.sleep(0.1)
        return spent.pop(running.pid) + max(spent.values(), default=0.0)


def outside(mix: Path, sheet: Path, folder: Path) -> tuple[float, float]:
    """Integrated loudness in LUFS and true peak in dBTP of a rendered sheet without its silence, by libebur128."""
    import numpy as np
    import pyebur128
    import soundfile

    program = [sys.executable, "-m", "autochain", "render", str(mix), "--sheet", str(sheet), "-o", str(folder)]
    subprocess.run([*program, "--force", "--no-log"], check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    samples, rate_hz = soundfile.read(folder / f"{mix.stem}.master.wav", dtype="float64", always_2d=True)
    settings = {s["stage"]: s["settings"] for s in json.loads(sheet.read_text(encoding="utf-8"))["stages"]}["output"]
    head, tail = (round(settings[f"{end}_silence_ms"] * rate_hz / 1000.0) for end in ("head", "tail"))
    samples = samples[head : len(samples) - tail]
    mode = pyebur128.MeasurementMode
    state = pyebur128.R128State(2, rate_hz, mode.MODE_I | mode.MODE_TRUE_PEAK)
    state.add_frames(np.ascontiguousarray(samples).reshape(-1), len(samples))
    peak = max(pyebur128.get_true_peak(state, channel) for channel in range(2))
    return float(pyebur128.get_loudness_global(state)), float(20.0 * np.log10(peak))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=float, default=30.0, help="about, of each track")
    parser.add_argument("--budget", type=int, default=40)
    parser.add_argument("--lufs", type=float, default=-9.0)
    parser.add_argument("--make", type=Path, help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.make:
        make(args.make, args.seconds)
        return
    where = machine()
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        mixes = folder / "mixes"
        mixes.mkdir()
        subprocess.run([sys.executable, __file__, "--make", str(mixes), "--seconds", f"{args.seconds:g}"], check=True)
        asked = [sys.executable, "-m", "autochain", "album", str(mixes), "--levels", "relations", "--no-log"]
        asked += ["--lufs", f"{args.lufs:g}", "--ceiling", f"{CEILING_DBTP:g}", "--budget", str(args.budget)]
        first = [sys.executable, "-m", "autochain", "suggest", str(mixes / "00.wav"), "--budget", "2", "--no-log"]
        subprocess.run([*first, "-o", str(folder / "warm")], check=False, stdout=subprocess.DEVNULL)  # compiles
        bounds = [two_at_once()]
        runs = {}
        for jobs in (1, 2):
            runs[jobs] = timed([*asked, "--jobs", str(jobs), "-o", str(folder / f"out{jobs}")])
            bounds.append(two_at_once())
        paths = {
            jobs: longest_path_s([*asked, "--jobs", str(jobs), "-o", str(folder / f"path{jobs}")]) for jobs in (1, 2)
        }
        one, two = folder / "out1", folder / "out2"
        names = sorted(path.name for path in one.iterdir() if not path.name.startswith("."))
        differing = [name for name in names if (one / name).read_bytes() != (two / name).read_bytes()]
        told = json.loads((two / "album.json").read_text(encoding="utf-8"))
        read = [
            outside(mixes / track["file"], two / f"{number:02d}-{Path(track['file']).stem}.sheet.json", folder / "wav")
            for number, track in enumerate(told["tracks"], 1)
        ]
    tracks = told["tracks"]
    off = [lufs - track["target_lufs"] for (lufs, _), track in zip(read, tracks, strict=True)]
    met = [track["met"] for track in tracks]
    reached = [error for error, ok in zip(off, met, strict=True) if ok]
    ratio = runs[1]["wall_s"] / runs[2]["wall_s"]
    bound = statistics.mean(bounds)
    summary = [
        ("one job, wall s", runs[1]["wall_s"], None),
        ("two jobs, wall s", runs[2]["wall_s"], None),
        ("times faster", ratio, TIMES),
        ("two processes of plain arithmetic, times faster, mean", bound, None),
        ("least and most of these", f"{min(bounds):.2f} to {max(bounds):.2f}", None),
        ("one job, CPU s", runs[1]["cpu_s"], None),
        ("two jobs, CPU s", runs[2]["cpu_s"], None),
        ("one job, longest path, CPU s", paths[1], None),
        ("two jobs, longest path, CPU s", paths[2], None),
        ("times shorter", paths[1] / paths[2], TIMES),
        ("files that differ", len(differing), 0),
        ("tracks that reach their loudness", sum(met), TRACKS),
        ("furthest of these from it, LU, by libebur128", max(map(abs, reached)), OFF_LU),
        ("largest error between any two of these, LU", max(reached) - min(reached), OFF_LU),
        ("highest true peak, dBTP, by libebur128", max(peak for _, peak in read), CEILING_DBTP),
    ]
    rows = [
        (t["title"], CHARACTERS[k % 5], t["mix_lufs"], t["target_lufs"], lufs, peak, "yes" if t["met"] else "no")
        for k, (t, (lufs, peak)) in enumerate(zip(tracks, read, strict=True))
    ]
    text = "\n\n".join(
        [
            f"{TRACKS} tracks of {0.7 * args.seconds:g} to {1.25 * args.seconds:g} s, {args.budget} trials each, the "
            f"loudest at {args.lufs:g} LUFS. Wall times were read on a machine that did other work, too, as the load "
            f"says: the times that arithmetic was faster are what could be had.",
            table(["", "measured", "target"], summary),
            table(["track", "character", "mix LUFS", "wanted", "master", "true peak", "reached"], rows),
        ]
    )
    result = {
        "seconds": args.seconds, "budget": args.budget, "runs": runs, "bounds": bounds, "longest_path_cpu_s": paths,
        "tracks": tracks, "outside": read,
    }  # fmt: skip
    save("album_jobs", QUESTION, where, result, text)
    if differing:
        raise SystemExit(f"one job and two do not give the same bytes: {', '.join(differing)}")


if __name__ == "__main__":
    main()
