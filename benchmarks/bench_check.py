"""How many injected defects does `check` find, how often does it cry wolf, and what does it take?"""

import argparse
import json
import math
import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections import defaultdict
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from defects import (
    Damage,
    Hurt,
    Sound,
    clicks,
    clipped,
    dropouts,
    ends,
    full_band,
    hiss,
    hum,
    jump,
    limited,
    lopsided,
    louder_side,
    offset,
    resonance,
    rumble,
    turned_over,
    turned_up,
    wide_bass,
    widened,
)
from report import RESULTS, machine, save, table

from autochain.config import read_config
from autochain.demo import CHARACTERS, make_demo
from autochain.measure.inspection import inspect
from autochain.prepare.readiness import Readiness, judge
from autochain.prepare.resonance_findings import resonance_findings
from autochain.prepare.resonances import find_resonances

RATE_HZ = 44100
CONFIG = read_config()
RUNS = 5  # of the command, to time it
# How far a reported time may lie from the true one, s.
TOLERANCE_S = {"click": 0.005, "dropout": 0.005, "level_jump": 0.25}
CLEAR: list[Hurt] = [
    clicks(10), clicks(20), clicks(30), clicks(20, width=4), clicks(20, one_sided=True), clicks(30, one_sided=True),
    dropouts(10, 200), dropouts(50, 200), dropouts(200, 200), dropouts(20, 200, one_sided=True),
    clipped(3), clipped(6), clipped(6, dithered=True), clipped(6, one_sided=True),
    hum(50, -40), hum(60, -40), hum(50, -40, one_sided=True), hum(60, -40, one_sided=True),
    offset(-40), offset(-50), offset(-40, one_sided=True),
    jump(3, one_sided=True), jump(6, one_sided=True), jump(10, one_sided=True), jump(3), jump(6), jump(10),
    louder_side(3), turned_over(), widened(15),
    hiss(-50), hiss(-50, one_sided=True),
    ends("start cut off"), ends("end cut off"), ends("silence before", 4.0), ends("silence after", 8.0),
    rumble(20), rumble(25), limited(10), lopsided(3), wide_bass("turned over"),
    turned_up(8, "true_peak"), turned_up(-14, "loudness"), turned_up(6, "loudness"),
    resonance(2000, 9000, 8), resonance(2000, 9000, 8, passing=True),
]  # fmt: skip
HARD: list[Hurt] = [
    clicks(40), clicks(50), clicks(10, width=12), clicks(20, width=12), clicks(30, width=4),
    dropouts(3, 200), dropouts(20, 30), dropouts(20, 40),
    clipped(1), clipped(3, dithered=True),
    hum(50, -50), hum(60, -50), hum(50, -60), hum(60, -60),
    offset(-62), louder_side(1.5), widened(10),
    hiss(-58), hiss(-50, pause=False), rumble(29), limited(6), lopsided(1.5), wide_bass("late"),
    resonance(2000, 9000, 5), resonance(2000, 9000, 5, passing=True), resonance(300, 2000, 8),
]  # fmt: skip
# Once more on mixes that reach up to half the rate, where the demo's stop at 18 kHz: with white noise that far under
# their own level of every 20 ms.
WIDE_DB = (48, 36)
FULL_BAND: list[Hurt] = [
    clicks(10), clicks(20), clicks(30), clicks(20, width=4), clicks(20, one_sided=True), dropouts(50, 200),
    clipped(6), hum(50, -40), jump(3), jump(6), jump(6, one_sided=True),
]  # fmt: skip


def wilson(hits: int, n: int) -> str:
    """95 % interval of a share (Wilson 1927), as text."""
    if not n:
        return "–"
    z, p = 1.96, hits / n
    middle = (p + z * z / (2 * n)) / (1 + z * z / n)
    half = z * math.sqrt(p * (1 - p) / n + z * z / (4 * n * n)) / (1 + z * z / n)
    return f"{max(0.0, middle - half):.3f} to {min(1.0, middle + half):.3f}"


def reported(ready: Readiness, code: str) -> list[float]:
    """Times of a code, or one NaN where it has none."""
    return [at for one in ready.findings if one.code == code for at in (one.times_s or (math.nan,))]


def count(truth: list[Damage], ready: Readiness) -> tuple[int, int]:
    """Damage found, and reports of its code that belong to none of it."""
    code = truth[0].code
    times = reported(ready, code)
    if code not in TOLERANCE_S:
        return int(bool(times)), 0
    near = [[abs(at - one.at_s) <= TOLERANCE_S[code] for at in times] for one in truth]
    hits = sum(any(row) for row in near)
    return hits, sum(not any(column) for column in zip(*near, strict=True)) if times else 0


def judged(sound: Sound, rate_hz: int = RATE_HZ) -> Readiness:
    """What `autochain check` says."""
    seen = inspect(np.asarray(sound, np.float32), rate_hz)
    return judge(seen, CONFIG.check, resonance_findings(find_resonances(seen.resonance), CONFIG.prepare.rules))


def false_alarms(ready: Readiness) -> dict[str, int]:
    """Reports by code, of those with times each one."""
    told: dict[str, int] = defaultdict(int)
    for finding in ready.findings:
        told[finding.code] += max(1, len(finding.times_s)) if finding.code in TOLERANCE_S else 1
    return dict(told)


def on_one_mix(job: tuple[int, int, float, bool, list[str]]) -> tuple[dict[str, Any], list[tuple[Any, ...]]]:
    """A clean mix, and all its damaged ones: what was reported on either."""
    seed, place, length_s, damaged_too, only = job
    mix = make_demo(CHARACTERS[place], RATE_HZ, length_s, seed).astype(np.float64)
    mixes = {"yes": (mix, CLEAR), "no": (mix, HARD)}
    for under_db in WIDE_DB:
        wide = full_band(mix, RATE_HZ, np.random.default_rng([seed, place]), under_db)
        mixes[f"full band, -{under_db} dB"] = (wide, FULL_BAND)
    wolf = {group: false_alarms(judged(sound)) for group, (sound, _) in mixes.items() if group != "no"}
    rows = []
    for group, (sound, kinds) in mixes.items() if damaged_too else ():
        for number, hurt in enumerate(kinds):
            rng = np.random.default_rng([seed, place, number, group == "yes"])
            damaged, truth = hurt(sound, RATE_HZ, rng)
            if not only or truth[0].code in only:
                rows.append((truth[0].code, truth[0].variant, group, *count(truth, judged(damaged)), len(truth)))
    return wolf, rows


def timed(song: Sound) -> tuple[float, float]:
    """CPU time and time of the whole command, s, medians; once before, which may compile."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "song.wav"
        soundfile.write(path, song, RATE_HZ, subtype="PCM_24")
        took = []
        for _ in range(1 + RUNS):
            before, start = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
            subprocess.run([sys.executable, "-m", "autochain", "check", path], check=True, capture_output=True)
            wall, after = time.perf_counter() - start, resource.getrusage(resource.RUSAGE_CHILDREN)
            took.append((after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime, wall))
    return statistics.median(cpu for cpu, _ in took[1:]), statistics.median(wall for _, wall in took[1:])


def run(
    seeds: list[int], damaged_seeds: int, length_s: float, recordings: list[Path], only: list[str], jobs: int
) -> tuple[str, dict[str, object]]:
    """Judge clean and damaged mixes; with `only`, damage of other codes is as it was found by an earlier run."""
    rows: dict[tuple[str, str, str], list[int]] = defaultdict(lambda: [0, 0, 0])
    earlier = json.loads((RESULTS / "check.json").read_text(encoding="utf-8"))["kinds"] if only else []
    for row in earlier:
        if row["code"] not in only:
            hits, n = map(int, row["found"].split(" of "))
            rows[row["code"], row["kind"], row["clear"]] = [hits, n, row["false"]]
    wolves: dict[str, dict[str, int]] = defaultdict(lambda: defaultdict(int))
    tasks = [(s, k, length_s, s < seeds[0] + damaged_seeds, only) for s in seeds for k in range(len(CHARACTERS))]
    with ProcessPoolExecutor(jobs) as pool:
        for told, found in pool.map(on_one_mix, tasks):
            for kind, own in told.items():
                for code, n in own.items():
                    wolves[kind][code] += n
            for code, variant, group, hits, false, n in found:
                row = rows[code, variant, group]
                row[0] += hits
                row[1] += n
                row[2] += false
    minutes, wolf = len(tasks) * length_s / 60.0, wolves["yes"]
    order = sorted(rows.items(), key=lambda item: (item[0][2] == "no", item[0][2] != "yes", item[0][2], item[0][0]))
    lines = [
        [code, variant, group, f"{hits} of {n}", f"{hits / n:.3f}", wilson(hits, n), false]
        for (code, variant, group), (hits, n, false) in order
    ]
    totals = []
    for code in sorted({code for code, _, group in rows if group == "yes"}):
        own = [row for (c, _, group), row in rows.items() if c == code and group == "yes"]
        hits, n, false = (sum(row[k] for row in own) for k in range(3))
        false += wolf[code]
        totals.append(
            [code, f"{hits / n:.3f}", wilson(hits, n), n, f"{hits / max(1, hits + false):.3f}",
             wilson(hits, hits + false), hits + false, wolf[code]]
        )  # fmt: skip
    real = []
    for number, path in enumerate(recordings):
        samples, rate_hz = soundfile.read(path, dtype="float32", always_2d=True)
        alarms = ", ".join(f"{code} {n}" for code, n in sorted(false_alarms(judged(samples, rate_hz)).items()))
        real.append([f"recording {chr(65 + number)}", f"{len(samples) / rate_hz / 60.0:.1f}", alarms or "nothing"])

    def reports(kind: str) -> str:
        return ", ".join(f"{code} {n}" for code, n in sorted(wolves[kind].items()) if n) or "nothing"

    text = "\n\n".join(
        [
            f"{len(tasks)} clean mixes of {length_s:g} s (seeds {seeds[0]} to {seeds[-1]}, five characters), those of "
            f"the first {damaged_seeds} seeds also with every defect. A time counts within 5 ms for "
            f"clicks and holes, 250 ms for jumps. Intervals: Wilson, 95 %. "
            + (f"Damage of the codes {', '.join(only)} was judged in this run, other damage in an earlier one, whose "
               f"rules for it are the same. " if only else "")
            + "Kinds taken as clear, together with what was reported on the clean mixes:",
            table(
                ["code", "recall", "95 %", "n", "precision", "95 %", "reports", "of these on clean mixes"], totals
            ),
            "Every kind; full band: on the same mixes with white noise up to half the rate, that far under their own "
            "level of every 20 ms:",
            table(["code", "kind", "clear", "found", "recall", "95 %", "false, beside"], lines),
            f"Reported on {minutes:.0f} minutes of clean mixes: {reports('yes')}; "
            + "; ".join(f"{kind}: {reports(kind)}" for kind in wolves if kind != "yes")
            + ". Asymmetry and mono compatibility are true of those mixes.",
            *(
                ["Recordings, whose state is not known:", table(["recording", "minutes", "reported"], real)]
                if real else []
            ),
        ]
    )  # fmt: skip
    result = {
        "kinds": [dict(zip(("code", "kind", "clear", "found", "recall", "interval", "false"), line, strict=True))
                  for line in lines],
        "clean_minutes": minutes, "on_clean": {k: dict(v) for k, v in wolves.items()}, "recordings": real,
    }  # fmt: skip
    return text, result


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=5, help="how many")
    parser.add_argument("--damaged", type=int, default=3, help="how many of them with defects too")
    parser.add_argument("--first-seed", type=int, default=31)
    parser.add_argument("--length", type=float, default=36.0, help="of a mix, s")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument(
        "--only", nargs="+", metavar="CODE", default=[], help="judge these; damage of others as in the results so far"
    )
    options = parser.parse_args()
    where = machine()
    folder = os.environ.get("AUTOCHAIN_RECORDINGS")
    recordings = [p for p in sorted(Path(folder).rglob("*.ogg")) if p.stat().st_size > 1_000_000] if folder else []
    seeds = list(range(options.first_seed, options.first_seed + options.seeds))
    cpu, wall = timed(np.tile(make_demo("dense_rock", RATE_HZ, 60.0, seeds[0]), (4, 1)))
    text, result = run(seeds, options.damaged, options.length, recordings, options.only, options.jobs)
    took = (
        f"`check` on 4 minutes of stereo at 44.1 kHz, compiled before, from start to end of the command: {cpu:.2f} s "
        f"of CPU time, {wall:.2f} s (medians of {RUNS}; where other things run as well, the second says little)."
    )
    save("check", str(__doc__), where, {"cpu_s": cpu, "wall_s": wall, **result}, f"{took}\n\n{text}")


if __name__ == "__main__":
    main()
