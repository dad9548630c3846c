"""What do the same stages and times on all tracks of an album cost, and how many knobs fewer differ?

Twelve invented songs of five characters, with levels over 4 dB, at the loudness relations of the mixes.
"""

import argparse
import json
import sys
import tempfile
from pathlib import Path
from statistics import median

from bench_suggest import timed
from report import machine, save, table

from autochain.audio.files import write_wav
from autochain.demo import CHARACTERS, make_demo

RATE_HZ, SONGS, FIRST_SEED = 44100, 12, 41
GAINS = (1.0, 0.8, 0.65, 0.9, 0.7, 0.75)
LEAST_FEWER = 60.0  # per cent
LOUDNESS_LU = 0.1
QUICK = """
[search]
sensitivity_trials = 0
startup = 12
[search.baselines]
release_ms = [5.0, 40.0]
lookahead_ms = [1.5, 4.0]
[search.excerpts]
count = 2
length_s = 3.2
preroll_s = 1.2
"""


def make_mixes(folder: Path, seconds: float) -> None:
    """Write the songs."""
    for k in range(SONGS):
        character = CHARACTERS[k % len(CHARACTERS)]
        samples = GAINS[k % len(GAINS)] * make_demo(character, RATE_HZ, seconds, FIRST_SEED + k)
        write_wav(folder / f"{character}_{k // len(CHARACTERS) + 1}.wav", samples, RATE_HZ, 1)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=float, default=24.0)
    parser.add_argument("--lufs", type=float, default=-8.0)
    parser.add_argument("--within", type=float, default=0.5)
    parser.add_argument("--budget", type=int, default=200)
    parser.add_argument("--quick", action="store_true", help="few baselines, short excerpts, no sensitivity")
    parser.add_argument("--jobs", type=int, default=2)
    args = parser.parse_args()
    where = machine()
    with tempfile.TemporaryDirectory() as name:
        mixes, out = Path(name, "mixes"), Path(name, "out")
        mixes.mkdir()
        make_mixes(mixes, args.seconds)
        config = Path(name, "quick.toml")
        config.write_text(QUICK if args.quick else "", encoding="utf-8")
        program = [
            sys.executable, "-m", "autochain", "album", str(mixes), "-o", str(out), "--levels", "relations",
            "--lufs", f"{args.lufs:g}", "--budget", str(args.budget), "--jobs", str(args.jobs), "--no-log",
            "--config", str(config),
        ]  # fmt: skip
        own = timed(program)
        both = timed([*program, "--same-settings", f"{args.within:g}", "--resume"])
        album = json.loads((out / "album.json").read_text(encoding="utf-8"))
    same, tracks = album["same_settings"], album["tracks"]
    before, after = same["differing_before"], same["differing_after"]
    lost = sorted(same["score_lost"].values())
    off = max(abs(t["figures"]["integrated_lufs"] - t["target_lufs"]) for t in tracks)
    highest = max(t["figures"]["true_peak_dbtp"] for t in tracks)
    rows = [
        ("tracks with the same settings", len(lost), None),
        ("knobs of the shared stages that differ, own settings", before["shared"], None),
        ("the same, same settings", after["shared"], None),
        ("fewer, %", 100.0 * (1.0 - after["shared"] / before["shared"]), LEAST_FEWER),
        ("knobs that follow from level, own and same settings", f"{before['level']}, {after['level']}", None),
        ("knobs that mend a mix, own and same settings", f"{before['mix']}, {after['mix']}", None),
        ("all knobs, fewer, %", 100.0 * (1.0 - sum(after.values()) / sum(before.values())), None),
        ("score lost, median", median(lost) if lost else None, None),
        ("score lost, most", lost[-1] if lost else None, args.within),
        ("furthest from its loudness, LU", off, LOUDNESS_LU),
        ("furthest from its relation, LU", album["worst_relation_lu"], None),
        ("highest true peak, dBTP", highest, album["ceiling_dbtp"]),
        ("CPU time of the second pass, share of the first", both["cpu_s"] / own["cpu_s"], None),
    ]
    text = (
        f"{SONGS} songs of {args.seconds:.0f} s, loudest at {args.lufs:g} LUFS, {args.budget} trials, "
        f"{'few baselines and two short excerpts' if args.quick else 'the default configuration'}.\n\n"
        + table(("", "measured", "target"), rows)
        + "\n\n"
        + table(
            ("track", "score", "score lost", "own settings, because"),
            [
                (t["title"], t["score"], same["score_lost"].get(stem), same["own_settings"].get(stem))
                for t in tracks
                for stem in (Path(t["sheet"]).name,)
            ],
        )
    )
    save("album", "What do the same settings on all tracks of an album cost, and what do they save?", where,
         {"own": own, "both": both, "same_settings": same}, text)  # fmt: skip


if __name__ == "__main__":
    main()
