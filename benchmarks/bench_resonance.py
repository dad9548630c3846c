"""How many injected resonances are told, how exactly, and how many that are not there?

The injector below shares nothing with the detectors: its bells are the cookbook's by the bilinear transform, run by
scipy, on mixes whose seeds played no part in making the limits. `--limits` makes those anew.
"""

import argparse
import json
import math
import os
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np
import scipy.signal

sys.path.insert(0, str(Path(__file__).parent))
from report import RESULTS, machine  # noqa: F401

from autochain.audio.files import read_mix
from autochain.demo import CHARACTERS, make_demo
from autochain.measure.resonance import measure_resonance, swing_db
from autochain.prepare.corrective import full_cut_db
from autochain.prepare.resonances import excess_by_test, find_resonances

RATE_HZ = 44100
SECONDS = 40.0
LIMIT_SEEDS = range(1, 31)  # of the mixes that make the limits
JUDGE_SEEDS = range(31, 43)
CASES_PER_MIX = 8
LIMITS = Path(__file__).parent.parent / "shared" / "resonance_limits.toml"


# --- the injector ---------------------------------------------------------------------------------------------------


def cookbook_bell(freq_hz: float, gain_db: float, q: float) -> tuple[np.ndarray, np.ndarray]:
    """W3C Note "Audio EQ Cookbook" (2021), peakingEQ, by the bilinear transform."""
    a, w0 = 10.0 ** (gain_db / 40.0), 2.0 * math.pi * freq_hz / RATE_HZ
    alpha = math.sin(w0) / (2.0 * q)
    b = np.array([1.0 + alpha * a, -2.0 * math.cos(w0), 1.0 - alpha * a])
    d = np.array([1.0 + alpha / a, -2.0 * math.cos(w0), 1.0 - alpha / a])
    return b / d[0], d / d[0]


def inject(
    mix: np.ndarray, freq_hz: float, gain_db: float, q: float, channel: str, gate: np.ndarray | None
) -> np.ndarray:
    """Lift a range of one channel of a mix, all the time or where `gate` is 1."""
    b, a = cookbook_bell(freq_hz, gain_db, q)
    x = mix.astype(np.float64)
    lanes = {"left": x[:, 0].copy(), "right": x[:, 1].copy(), "mid": x.mean(axis=1), "side": (x[:, 0] - x[:, 1]) / 2}
    change = {"left": 0.0, "right": 0.0}
    for name in ("left", "right", "mid", "side"):
        if name == channel or (channel == "stereo" and name in ("left", "right")):
            more = scipy.signal.lfilter(b, a, lanes[name]) - lanes[name]
            if gate is not None:
                more *= gate
            change["left"] = change["left"] + more * (name != "right")
            change["right"] = change["right"] + more * {"left": 0.0, "right": 1.0, "mid": 1.0, "side": -1.0}[name]
    both = [np.broadcast_to(change[c], x.shape[0]) for c in ("left", "right")]
    return (x + np.stack(both, axis=1)).astype(np.float32)


def comes_and_goes(count: int, rng: np.random.Generator) -> np.ndarray:
    """1 for 0.4 to 2.5 s, 0 for 0.8 to 4 s, in turn, with edges of 40 ms."""
    gate = np.zeros(count)
    at = round(rng.uniform(0.5, 2.0) * RATE_HZ)
    while at < count:
        there = round(rng.uniform(0.4, 2.5) * RATE_HZ)
        gate[at : at + there] = 1.0
        at += there + round(rng.uniform(0.8, 4.0) * RATE_HZ)
    edge = np.hanning(round(0.04 * RATE_HZ))
    return np.clip(scipy.signal.oaconvolve(gate, edge / edge.sum(), mode="same"), 0.0, 1.0)


# --- the limits -----------------------------------------------------------------------------------------------------


def reach_of(job: tuple[str, int]) -> dict[str, np.ndarray]:
    found = measure_resonance(make_demo(job[0], RATE_HZ, SECONDS, job[1]), RATE_HZ)
    groups: dict[str, np.ndarray] = {"freq_hz": found.freq_hz}
    for (test, lane), values in excess_by_test(found.floor_db.mean(axis=0), swing_db(found.left_over_db())).items():
        name = f"{test}_{lane if lane in ('mid', 'side') else 'left_right'}_db"
        groups[name] = np.maximum(groups.get(name, -99.0), values)
    return groups


def make_limits(pool: ProcessPoolExecutor) -> None:
    """Write the limits: the most of all clean mixes within a third of an octave, and 0.4 dB, at least 1.5 dB."""
    reached: dict[str, np.ndarray] = {}
    for groups in pool.map(reach_of, [(c, s) for s in LIMIT_SEEDS for c in CHARACTERS]):
        for name, values in groups.items():
            reached[name] = np.maximum(reached.get(name, -99.0), values)
    freq_hz = reached.pop("freq_hz")
    nodes = 90.0 * 2.0 ** (np.arange(15) / 2.0)
    lines = [
        "# What the excess of clean mixes reaches, and a margin: limits of prepare/resonances.py.",
        f"# Made by `python benchmarks/bench_resonance.py --limits`: the demo's characters, {SECONDS:g} s at 44.1 kHz,",
        f"# seeds {LIMIT_SEEDS[0]} to {LIMIT_SEEDS[-1]}; the most within a third of an octave, plus 0.4 dB. No published",
        "# source.",
        f"freq_hz = [{', '.join(f'{n:.0f}' for n in nodes)}]",
    ]
    for name, values in sorted(reached.items()):
        most = [values[np.abs(np.log2(freq_hz / n)) <= 0.35].max() for n in nodes]
        lines.append(f"{name} = [{', '.join(f'{max(1.5, math.ceil(10.0 * m + 4.0) / 10.0):.1f}' for m in most)}]")
    LIMITS.write_text("\n".join(lines) + "\n", encoding="utf-8")
    print(LIMITS.read_text(encoding="utf-8"))


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--limits", action="store_true")
    parser.add_argument("--jobs", type=int, default=2)
    with ProcessPoolExecutor(parser.parse_args().jobs) as pool:
        make_limits(pool)
