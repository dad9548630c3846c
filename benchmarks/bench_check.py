"""How many injected defects does `check` find, how often does it cry wolf, and what does it take?"""

import argparse
import math
import os
import time
from collections import defaultdict
from pathlib import Path

import numpy as np
import soundfile
from defects import (
    Damage,
    Hurt,
    clicks,
    clipped,
    dropouts,
    hum,
    jump,
    louder_side,
    offset,
    turned_over,
)
from report import machine, save, table

from autochain.config import read_config
from autochain.demo import CHARACTERS, make_demo
from autochain.measure.inspection import inspect
from autochain.prepare.readiness import Readiness, judge

RATE_HZ = 44100
# How far a reported time may lie from the true one, s.
TOLERANCE_S = {"click": 0.005, "dropout": 0.005, "level_jump": 0.25}
CLEAR: list[Hurt] = [
    clicks(10), clicks(20), clicks(30), clicks(20, width=4), clicks(20, one_sided=True), clicks(30, one_sided=True),
    dropouts(10, 200), dropouts(50, 200), dropouts(200, 200), dropouts(20, 200, one_sided=True),
    clipped(3), clipped(6), clipped(6, dithered=True),
    hum(50, -40), hum(60, -40), hum(50, -40, one_sided=True),
    offset(-40), offset(-50), offset(-40, one_sided=True),
    jump(3, one_sided=True), jump(6, one_sided=True), jump(10, one_sided=True), jump(3), jump(6), jump(10),
    louder_side(3), turned_over(),
]  # fmt: skip
HARD: list[Hurt] = [
    clicks(40), clicks(50), clicks(10, width=12), clicks(20, width=12), clicks(30, width=4),
    dropouts(3, 200), dropouts(20, 30), dropouts(20, 40),
    clipped(1), clipped(3, dithered=True),
    hum(50, -50), hum(60, -50), hum(50, -60), hum(60, -60),
    offset(-62),
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


def run(
    seeds: list[int], damaged_seeds: int, length_s: float, recordings: list[Path], only: str | None
) -> tuple[str, dict[str, object]]:
    """Judge clean and damaged mixes, damaged by one code alone when `only` names it."""
    limits = read_config().check
    rows: dict[tuple[str, str, bool], list[int]] = defaultdict(lambda: [0, 0, 0])
    wolf: dict[str, int] = defaultdict(int)
    minutes, clean_files = 0.0, 0
    for seed in seeds:
        for place, character in enumerate(CHARACTERS):
            mix = make_demo(character, RATE_HZ, length_s, seed).astype(np.float64)
            minutes += length_s / 60.0
            clean_files += 1
            at_rest = judge(inspect(mix.astype(np.float32), RATE_HZ), limits)
            for finding in at_rest.findings:
                wolf[finding.code] += max(1, len(finding.times_s)) if finding.code in TOLERANCE_S else 1
            if seed >= seeds[0] + damaged_seeds:
                continue
            for clear, kinds in ((True, CLEAR), (False, HARD)):
                for number, hurt in enumerate(kinds):
                    rng = np.random.default_rng([seed, place, number, clear])
                    damaged, truth = hurt(mix, RATE_HZ, rng)
                    if only not in (None, truth[0].code):
                        continue
                    ready = judge(inspect(damaged.astype(np.float32), RATE_HZ), limits)
                    hits, false = count(truth, ready)
                    row = rows[truth[0].code, truth[0].variant, clear]
                    row[0] += hits
                    row[1] += len(truth)
                    row[2] += false
    order = sorted(rows.items(), key=lambda item: (not item[0][2], item[0][0]))
    lines = [
        [code, variant, "yes" if clear else "no", f"{hits} of {n}", f"{hits / n:.3f}", wilson(hits, n), false]
        for (code, variant, clear), (hits, n, false) in order
    ]
    codes = sorted({code for code, _, _ in rows})
    totals = []
    for code in codes:
        own = [row for (c, _, clear), row in rows.items() if c == code and clear]
        hits, n, false = (sum(row[k] for row in own) for k in range(3))
        false += wolf[code]
        totals.append(
            [code, f"{hits / n:.3f}", wilson(hits, n), n, f"{hits / max(1, hits + false):.3f}",
             wilson(hits, hits + false), hits + false, wolf[code]]
        )  # fmt: skip
    real = []
    for path in recordings:
        samples, rate_hz = soundfile.read(path, dtype="float32", always_2d=True)
        ready = judge(inspect(samples, rate_hz), limits)
        length = len(samples) / rate_hz / 60.0
        real.append(
            [path.stem, f"{length:.1f}", *(len(reported(ready, code)) for code in ("click", "dropout", "level_jump"))]
        )
    text = "\n\n".join(
        [
            f"{clean_files} clean mixes of {length_s:g} s (seeds {seeds[0]} to {seeds[-1]}, five characters), those of "
            f"the first {damaged_seeds} seeds also with every defect. A time counts within 5 ms for "
            f"clicks and holes, 250 ms for jumps. Intervals: Wilson, 95 %. Kinds taken as clear, together with what "
            f"was reported on the clean mixes:",
            table(
                ["code", "recall", "95 %", "n", "precision", "95 %", "reports", "of these on clean mixes"], totals
            ),
            "Every kind:",
            table(["code", "kind", "clear", "found", "recall", "95 %", "false, beside"], lines),
            f"Reported on {minutes:.0f} minutes of clean mixes: "
            + (", ".join(f"{code} {n}" for code, n in sorted(wolf.items())) or "nothing")
            + ". Asymmetry and mono compatibility are true of those mixes.",
            *(
                ["Recordings, whose state is not known:",
                 table(["recording", "minutes", "clicks", "holes", "jumps"], real)] if real else []
            ),
        ]
    )  # fmt: skip
    result = {
        "kinds": [dict(zip(("code", "kind", "clear", "found", "recall", "interval", "false"), line, strict=True))
                  for line in lines],
        "clean_minutes": minutes, "on_clean": dict(wolf), "recordings": real,
    }  # fmt: skip
    return text, result


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=5, help="how many")
    parser.add_argument("--damaged", type=int, default=2, help="how many of them with defects too")
    parser.add_argument("--first-seed", type=int, default=31)
    parser.add_argument("--length", type=float, default=30.0, help="of a mix, s")
    parser.add_argument("--only", metavar="CODE", help="one code alone; written to results/check_CODE")
    options = parser.parse_args()
    where = machine()
    folder = os.environ.get("AUTOCHAIN_RECORDINGS")
    recordings = [p for p in sorted(Path(folder).rglob("*.ogg")) if p.stat().st_size > 1_000_000] if folder else []
    seeds = list(range(options.first_seed, options.first_seed + options.seeds))
    song = np.tile(make_demo("dense_rock", RATE_HZ, 60.0, seeds[0]), (4, 1))
    inspect(song[: 4 * RATE_HZ], RATE_HZ)
    cpu, wall = time.process_time(), time.perf_counter()
    inspect(song, RATE_HZ)
    cpu, wall = time.process_time() - cpu, time.perf_counter() - wall
    text, result = run(seeds, options.damaged, options.length, recordings, options.only)
    took = f"Inspecting 4 minutes of stereo at 44.1 kHz, warm: {cpu:.2f} s of CPU time, {wall:.2f} s."
    name = "check" if options.only is None else f"check_{options.only}"
    save(name, str(__doc__), where, {"cpu_s": cpu, "wall_s": wall, **result}, f"{took}\n\n{text}")



if __name__ == "__main__":
    main()
