"""What does a curve of nine points cost beside one `suggest`, and is it even?

Both are the command line in fresh processes on the same mix, by turns on the same machine. Evenness is read from the
curve's JSON: how often a cost is lower at the next louder point than the tolerance allows, cost by cost.
"""

import argparse
import json
import subprocess
import sys
import tempfile
from itertools import pairwise
from pathlib import Path

from bench_suggest import timed
from report import machine, save, table

MOST_TIMES = 3.5
OF_A_COST = 0.3  # dB or LU by which a single cost may fall toward louder: one may be traded for another
OF_THE_SCORE = 0.1  # the curve's own tolerance
LOUDNESS_LU, COUNTED_NMR_DB = 0.1, -30.0


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=float, default=240.0)
    parser.add_argument("--character", default="dense_rock")
    parser.add_argument("--lufs", type=float, default=-8.0, help="of the one suggestion")
    parser.add_argument("--budget", type=int, default=None, help="default: the configured one")
    parser.add_argument("--jobs", type=int, default=2)
    args = parser.parse_args()
    where = machine()
    more = ["--jobs", str(args.jobs), "--force"] + ([] if args.budget is None else ["--budget", str(args.budget)])
    program = [sys.executable, "-m", "autochain"]
    with tempfile.TemporaryDirectory() as folder:
        mix, out = Path(folder, "song.wav"), Path(folder, "out")
        make = [sys.executable, str(Path(__file__).with_name("bench_suggest.py")), "--make", str(mix)]
        subprocess.run([*make, "--seconds", f"{args.seconds:g}", "--character", args.character], check=True)
        short = ["--budget", "2", "--force", "-o", str(out), "--no-log"]
        subprocess.run([*program, "suggest", str(mix), *short], check=False, stdout=subprocess.DEVNULL)  # compiles
        one = timed([*program, "suggest", str(mix), "--lufs", f"{args.lufs:g}", "-o", str(out), "--no-log", *more])
        nine = timed([*program, "curve", str(mix), "--from", "-14", "--to", "-6", "-o", str(out), *more])
        curve = json.loads((out / "song.curve.json").read_text(encoding="utf-8"))
        sheet = json.loads((out / "song.sheet.json").read_text(encoding="utf-8"))
    points = curve["points"]
    reached = [p for p in points if p["met"]]
    same = [p["costs"]["score"] for p in points if p["target_lufs"] == args.lufs]
    falls = {
        name: sum(
            max(a["costs"][name], COUNTED_NMR_DB if name.endswith("nmr_db") else a["costs"][name])
            - max(b["costs"][name], COUNTED_NMR_DB if name.endswith("nmr_db") else b["costs"][name])
            > (OF_THE_SCORE if name == "score" else OF_A_COST)
            for a, b in pairwise(reached)
        )
        for name in points[0]["costs"]
    }
    ratio_wall, ratio_cpu = nine["wall_s"] / one["wall_s"], nine["cpu_s"] / one["cpu_s"]
    held = all(p["true_peak_dbtp"] <= curve["ceiling_dbtp"] for p in points)
    off = max(abs(p["integrated_lufs"] - p["target_lufs"]) for p in reached)
    rows = [
        ("nine points, wall s", nine["wall_s"], None),
        ("one suggestion, wall s", one["wall_s"], None),
        ("ratio, wall", ratio_wall, MOST_TIMES),
        ("ratio, CPU", ratio_cpu, MOST_TIMES),
        ("peak resident memory of the curve, GB", nine["peak_gb"], None),
        ("points reached", len(reached), len(points)),
        ("furthest from its loudness, LU", off, LOUDNESS_LU),
        ("ceiling held", "yes" if held else "NO", "yes"),
        ("dents found", curve["dents"]["found"], None),
        ("dents left", len(curve["dents"]["left_at_lufs"]), 0),
        (f"score at {args.lufs:g} LUFS, curve", same[0] if same else None, None),
        (f"score at {args.lufs:g} LUFS, one suggestion", sheet["costs"]["score"], None),
    ]
    text = (
        f"{args.character}, {args.seconds:.0f} s at 44.1 kHz, --jobs {args.jobs}, "
        f"{'the configured' if args.budget is None else args.budget} trials.\n\n"
        + table(("", "measured", "target"), rows)
        + f"\n\n{curve['said'][0]}\n\n"
        + table(
            ("LUFS", "score", "limiter alone", "trade default"),
            [
                (
                    p["target_lufs"],
                    p["costs"]["score"],
                    *(p["baselines"].get(n, {}).get("score") for n in ("limiter_only", "trade_default")),
                )
                for p in points
            ],
        )
        + f"\n\nFalls toward louder, by more than {OF_THE_SCORE} of score or {OF_A_COST} dB or LU of a cost (noise-to-"
        f"mask ratios above {COUNTED_NMR_DB:.0f} dB only):\n\n" + table(("cost", "falls"), list(falls.items()))
    )
    save("curve", "What do nine points cost beside one suggestion, and is the curve even?", where,
         {"one": one, "nine": nine, "ratio_wall": ratio_wall, "ratio_cpu": ratio_cpu, "falls": falls, "curve": curve},
         text)  # fmt: skip


if __name__ == "__main__":
    main()
