"""How many injected resonances are told, how exactly, and how many that are not there?

The injector (`injected_resonances.py`) shares nothing with the detectors: its bells are the cookbook's by the bilinear
transform, run by scipy, on mixes whose seeds played no part in making the limits. `--limits FOLDER` makes those anew.
"""

import argparse
import math
import sys
import tomllib
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

sys.path.insert(0, str(Path(__file__).parent))
from injected_resonances import comes_and_goes, lift
from report import machine, save

from autochain.demo import CHARACTERS, make_demo
from autochain.measure.resonance import ResonanceMap, measure_resonance, swing_db
from autochain.prepare.corrective import CorrectionRules, doses, full_cut_db
from autochain.prepare.resonances import Resonance, find_resonances, reach_by_test

RATE_HZ = 44100
SECONDS = 40.0
LIMIT_SEEDS = range(1, 7)  # of the mixes that take part in the limits
MARGIN = 1.15
LEAST = {"standing": 1.6, "passing": 1.3}
CERTAIN_TIMES, CERTAIN_EXCESS_DB = 1.3, 4.5
JUDGE_SEEDS = range(71, 83)  # played no part in anything
CASES_PER_MIX = 8
LABELS = Path(__file__).parent / "real_music" / "resonance.toml"
LIMITS = Path(__file__).parent.parent / "shared" / "resonance_limits.toml"


# --- the limits -----------------------------------------------------------------------------------------------------


def reach_of(samples: np.ndarray, rate_hz: int) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """Bands, and the most that any lane reaches in them by test."""
    found = measure_resonance(samples, rate_hz)
    reached = reach_by_test(found, swing_db(found.left_over_db()))
    tests = {test for test, _ in reached}
    return found.freq_hz, {t: np.max([v for (test, _), v in reached.items() if test == t], axis=0) for t in tests}


def reach_of_demo(job: tuple[str, int]) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    return reach_of(make_demo(job[0], RATE_HZ, SECONDS, job[1]), RATE_HZ)


def reach_of_recording(path: Path) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """As `reach_of`, without what was looked at and is a hump."""
    freq_hz, reached = reach_of(*soundfile.read(path, dtype="float32", always_2d=True))
    number = int(path.name[:2])
    for place in tomllib.loads(LABELS.read_text(encoding="utf-8"))["place"]:
        if place["recording"] == number and place["defect"]:
            near = np.abs(np.log2(freq_hz / place["freq_hz"])) <= 0.25
            reached = {test: np.where(near, 0.0, values) for test, values in reached.items()}
    return freq_hz, reached


def make_limits(pool: ProcessPoolExecutor, folder: Path) -> None:
    """Write the limits: the most within half an octave, a margin, and the neighbours' mean, never under the least."""
    paths = sorted(path for path in folder.glob("[0-9][0-9]_*.wav") if int(path.name[:2]) % 2)
    parts = [*pool.map(reach_of_recording, paths)]
    parts += pool.map(reach_of_demo, [(c, s) for s in LIMIT_SEEDS for c in CHARACTERS])
    nodes = 90.0 * 2.0 ** np.arange(8)
    lines = [
        "# Limits of prepare/resonances.py, from which an excess is told. `standing_ripples` are in units of the",
        "# ripple within 1.5 octaves (`ripple_db`), `passing_db` in dB of swing. Made by",
        "# `python benchmarks/bench_resonance.py --limits FOLDER`: the most within half an octave that these reach:",
        f"# recordings {', '.join(str(int(path.name[:2])) for path in paths)} (without the humps in",
        "# benchmarks/real_music/resonance.toml) and the demo's characters, "
        f"{SECONDS:g} s, seeds {LIMIT_SEEDS[0]} to {LIMIT_SEEDS[-1]};",
        f"# times {MARGIN}; a node's own counted twice, its neighbours' once. The least, {LEAST['standing']} ripples "
        f"and {LEAST['passing']} dB, are",
        "# what leaves half of injected bells of 6 dB, q 8, told (a limit of this project). No published source.",
        f"freq_hz = [{', '.join(f'{n:.0f}' for n in nodes)}]",
    ]
    for test, name in (("standing", "standing_ripples"), ("passing", "passing_db")):
        most = [max(v[test][np.abs(np.log2(f / n)) <= 0.5].max(initial=0.0) for f, v in parts) for n in nodes]
        padded = np.pad(MARGIN * np.array(most), 1, mode="edge")
        smooth = (padded[:-2] + 2.0 * padded[1:-1] + padded[2:]) / 4.0
        limits = [max(LEAST[test], math.ceil(10.0 * limit) / 10.0) for limit in smooth]
        lines.append(f"{name} = [{', '.join(f'{limit:.1f}' for limit in limits)}]")
    lines += [
        "# From these on, at and above `cut_from_hz`, one is certain: so many times its limit, and so large. Limits",
        "# of this project: of what stands out of the recordings above, one hump of 7 dB is.",
        f"certain_times = {CERTAIN_TIMES}",
        f"certain_excess_db = {CERTAIN_EXCESS_DB}",
    ]
    LIMITS.write_text("\n".join(lines) + "\n", encoding="utf-8")
    print(LIMITS.read_text(encoding="utf-8"))


# --- judging --------------------------------------------------------------------------------------------------------


def interval(hits: int, n: int) -> str:
    """Share and its 95 % Wilson interval (E. B. Wilson, J. Am. Stat. Assoc. 22, 1927)."""
    if n == 0:
        return "–"
    z, p = 1.96, hits / n
    middle, half = p + z * z / (2 * n), z * math.sqrt(p * (1 - p) / n + z * z / (4 * n * n))
    low, high = (max(0.0, (middle - half) / (1 + z * z / n)), min(1.0, (middle + half) / (1 + z * z / n)))
    return f"{p:.2f} ({low:.2f} to {high:.2f}), n {n}"


def judge(job: tuple[str, int]) -> list[dict[str, Any]]:
    """Clean mix, then cases injected into it."""
    character, seed = job
    mix = make_demo(character, RATE_HZ, SECONDS, seed)
    rng = np.random.default_rng([seed, CHARACTERS.index(character)])
    claims = find_resonances(measure_resonance(mix, RATE_HZ))
    sure = [dose for dose in doses(claims, CorrectionRules()) if dose.cut_db > 0.0]
    rows: list[dict[str, Any]] = [{"clean": True, "told": len(claims), "cut": len(sure)}]
    for k in range(CASES_PER_MIX):
        freq_hz = float(np.exp(rng.uniform(np.log(120.0), np.log(9000.0))))
        gain_db, q = float(rng.uniform(3.0, 9.0)), float(np.exp(rng.uniform(np.log(2.0), np.log(8.0))))
        channel = str(rng.choice(["stereo", "stereo", "mid", "side", "left", "right"]))
        gate = comes_and_goes(mix.shape[0], RATE_HZ, rng) if k % 2 else None
        hurt = lift(mix, RATE_HZ, freq_hz, gain_db, q, channel, gate).astype(np.float32)
        found = measure_resonance(hurt, RATE_HZ)
        told = find_resonances(found)
        near = [r for r in told if abs(math.log2(r.freq_hz / freq_hz)) <= 1 / 3]
        row = {
            "clean": False, "character": character, "seed": seed, "freq_hz": freq_hz, "gain_db": gain_db, "q": q,
            "channel": channel, "passing": gate is not None, "told": bool(near), "others": len(told) - len(near),
        }  # fmt: skip
        if near:
            best = min(near, key=lambda r: abs(math.log2(r.freq_hz / freq_hz)))
            row |= {
                "freq_right": abs(math.log2(best.freq_hz / freq_hz)) <= 1 / 12,
                "kind_right": best.passing == (gate is not None), "channel_right": best.channel == channel,
            }  # fmt: skip
            if not best.passing:
                row |= left_after(hurt, found, best)
        rows.append(row)
    return rows


def left_after(hurt: np.ndarray, before: ResonanceMap, told: Resonance) -> dict[str, Any]:
    """Excess before, after the dose of 1 dB, and after the full cut, at the place that was told."""
    left = {}
    lane = {"stereo": 0, "mid": 0, "side": 1, "left": 2, "right": 3}[told.channel]
    for name, cut_db in (("before", 0.0), ("dose", 1.0), ("full", full_cut_db(told.excess_db))):
        cut = lift(hurt, RATE_HZ, told.freq_hz, -cut_db, told.q, told.channel, None).astype(np.float32)
        found = measure_resonance(cut, RATE_HZ) if cut_db else before
        at = np.abs(np.log2(found.freq_hz / told.freq_hz)) <= 1 / 12
        left[f"excess_{name}_db"] = float(found.standing_db()[lane, at].max())
    return left


def table(rows: list[dict[str, Any]]) -> list[str]:
    cases = [r for r in rows if not r["clean"]]
    clean = [r for r in rows if r["clean"]]
    lines = [
        f"Clean mixes with a claim: {interval(sum(r['told'] > 0 for r in clean), len(clean))}; that get a cut: "
        f"{interval(sum(r['cut'] > 0 for r in clean), len(clean))}. "
        f"Cases with a claim elsewhere: {interval(sum(r['others'] > 0 for r in cases), len(cases))}.",
        "",
        "| kind | range | injected | told | frequency within 1/12 octave | kind right | channel right |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    ranges = (("120 to 450 Hz", 120, 450), ("450 Hz to 2 kHz", 450, 2000), ("2 to 9 kHz", 2000, 9000))
    for kind, passing in (("standing", False), ("passing", True)):
        for place, low, high in (*ranges, ("all", 0, 1e9)):
            for level, least, most in (("3 to 5 dB", 3, 5), ("5 to 7 dB", 5, 7), ("7 to 9 dB", 7, 9), ("all", 0, 99)):
                if place == "all" and level != "all":
                    continue
                some = [
                    r for r in cases
                    if r["passing"] == passing and low <= r["freq_hz"] < high and least <= r["gain_db"] < most
                ]  # fmt: skip
                told = [r for r in some if r["told"]]
                shares = [interval(sum(r[key] for r in told), len(told)) for key in
                          ("freq_right", "kind_right", "channel_right")]  # fmt: skip
                lines.append(
                    f"| {kind} | {place} | {level} | {interval(len(told), len(some))} | {' | '.join(shares)} |"
                )
    told = [r for r in cases if r["told"]]
    right = sum(r["freq_right"] and r["kind_right"] and r["channel_right"] for r in told)
    lines += ["", f"Of all told, frequency, kind and channel right together: {interval(right, len(told))}."]
    cuts = [r for r in cases if "excess_full_db" in r]
    before, dose, full = (np.array([r[f"excess_{n}_db"] for r in cuts]) for n in ("before", "dose", "full"))
    lines += [
        "",
        f"Standing ones: the full cut halves the excess or better in "
        f"{interval(int((full <= 0.5 * before).sum()), len(cuts))}; median excess {np.median(before):.1f} dB, after "
        f"the dose of 1 dB {np.median(dose):.1f} dB, after the full cut {np.median(full):.1f} dB.",
    ]
    return lines


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument(
        "--limits", type=Path, metavar="FOLDER", help="make the limits anew from its odd recordings, judge nothing"
    )
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--seeds", type=int, default=len(JUDGE_SEEDS), help="how many of the seeds to judge on")
    options = parser.parse_args()
    where = machine()
    with ProcessPoolExecutor(options.jobs) as pool:
        if options.limits:
            make_limits(pool, options.limits)
            return
        seeds = list(JUDGE_SEEDS)[: options.seeds]
        rows = [r for part in pool.map(judge, [(c, s) for s in seeds for c in CHARACTERS]) for r in part]
    text = "\n".join(table(rows))
    save("resonance", "How many injected resonances are told, and how exactly?", where, {"rows": rows}, text)
    print(text)


if __name__ == "__main__":
    main()
