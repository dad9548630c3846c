"""How fast are loudness and true peak beside libraries that read the same, and what does length cost?

Ratios: CPU time of one process and one thread, runs of ours and of the reference alternating, the median of each,
on drum-like and on dense limited material; every result is compared with the reference's first, within what the
accuracy tests ask for. Growth: a fresh process for each length reads a stream block by block.
"""

import argparse
import hashlib
import json
import resource
import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from report import machine, save, table

from autochain.audio.signals import pink_noise, struck
from autochain.chain.chain import DEFAULT, STAGES
from autochain.demo import make_demo
from autochain.measure import loudness, true_peak

RATE_HZ = 44100
BLOCK_FRAMES = 65536
Samples = np.ndarray[Any, np.dtype[np.float32]]
Figures = dict[str, float | None]


def material(seconds: float) -> dict[str, Samples]:
    """Half a minute of each, repeated: neither reading knows that it has heard it before."""
    drums = struck(pink_noise(30.0, RATE_HZ, -26.0), RATE_HZ)
    rock = np.ascontiguousarray(make_demo("dense_rock", RATE_HZ, duration_s=30.0), dtype=np.float32)
    limiter = DEFAULT.checked({"limiter": {"ceiling_dbtp": -1.0, "release_ms": 60.0}})["limiter"]
    dense = STAGES["limiter"].process(np.float32(10.0 ** (9.0 / 20.0)) * rock, RATE_HZ, limiter).samples
    parts = {"drum-like": drums, "dense, limited by 9 dB": dense}
    times = round(seconds / 30.0)
    return {name: np.ascontiguousarray(np.tile(x, (times, 1)), dtype=np.float32) for name, x in parts.items()}


def ours_integrated(x: Samples) -> Figures:
    return {"integrated": loudness.integrated_lufs(loudness.weighted_hops(x, RATE_HZ))}


def ours_peak(x: Samples, reading: str) -> float | None:
    meter = true_peak.TruePeakMeter(RATE_HZ, x.shape[1], (reading,))
    meter.push(x)
    found: float | None = getattr(meter.result(), f"{reading}_dbtp")
    return found


def ours_all(x: Samples, peak: str = "annex2") -> Figures:
    hops = loudness.weighted_hops(x, RATE_HZ)
    return {
        "integrated": loudness.integrated_lufs(hops),
        "momentary": float(loudness.momentary_lufs(hops)[-1]),
        "short_term": float(loudness.short_term_lufs(hops)[-1]),
        "range": loudness.loudness_range_lu(hops),
        "true_peak": ours_peak(x, peak),
    }


def ours_three_peaks(x: Samples) -> Figures:
    return {"true_peak": true_peak.read_true_peak(x, RATE_HZ).sinc49_dbtp}


def pyloudnorm_integrated(x: Samples) -> Figures:
    import pyloudnorm

    # the class with the filters of the BS.1770 tables; its default is another approximation
    return {"integrated": float(pyloudnorm.Meter(RATE_HZ, filter_class="DeMan").integrated_loudness(x))}


def libebur128(x: Samples, *names: str) -> Figures:
    """Read figures by name, in the mode they need and no more."""
    import pyebur128

    mode = pyebur128.MeasurementMode
    modes = {
        "integrated": mode.MODE_I, "momentary": mode.MODE_M, "short_term": mode.MODE_S, "range": mode.MODE_LRA,
        "true_peak": mode.MODE_TRUE_PEAK,
    }  # fmt: skip
    wanted = modes[names[0]]
    for name in names[1:]:
        wanted |= modes[name]
    state = pyebur128.R128State(x.shape[1], RATE_HZ, wanted)
    state.add_frames(x.reshape(-1), x.shape[0])
    read: dict[str, Callable[[], float]] = {
        "integrated": lambda: pyebur128.get_loudness_global(state),
        "momentary": lambda: pyebur128.get_loudness_momentary(state),
        "short_term": lambda: pyebur128.get_loudness_shortterm(state),
        "range": lambda: pyebur128.get_loudness_range(state),
        "true_peak": lambda: float(20.0 * np.log10(max(pyebur128.get_true_peak(state, c) for c in (0, 1)))),
    }
    return {name: read[name]() for name in names}


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """What both sides do, how far their figures may lie apart, and the ratio asked for."""

    name: str
    ours: Callable[[Samples], Figures]
    reference: Callable[[Samples], Figures]
    against: str
    within: dict[str, float]
    target: float | None = None


EVERYTHING = ("integrated", "momentary", "short_term", "range", "true_peak")
# LU and dB, as in tests/measure. libebur128 takes a short-term window every second for the range, ours ten, and the
# block of its last momentary and short-term value may end up to 100 ms before ours: their figures are not compared.
TASKS = (
    Task(
        name="integrated", ours=ours_integrated, reference=pyloudnorm_integrated, against="pyloudnorm",
        within={"integrated": 0.01}, target=10.0,
    ),
    Task(
        name="integrated", ours=ours_integrated, reference=lambda x: libebur128(x, "integrated"),
        against="libebur128", within={"integrated": 0.01},
    ),
    Task(
        name="integrated, momentary, short-term, range, Annex 2 true peak", ours=ours_all,
        reference=lambda x: libebur128(x, *EVERYTHING), against="libebur128",
        within={"integrated": 0.01, "true_peak": 0.3}, target=4.0,
    ),
    Task(
        name="the same with the 49-tap true peak that libebur128 reads", ours=partial(ours_all, peak="sinc49"),
        reference=lambda x: libebur128(x, *EVERYTHING), against="libebur128",
        within={"integrated": 0.01, "true_peak": 1e-4}, target=4.0,
    ),
    Task(
        name="all three true peaks", ours=ours_three_peaks, reference=lambda x: libebur128(x, "true_peak"),
        against="libebur128 (one)", within={"true_peak": 1e-4},
    ),
)  # fmt: skip


def cpu_s(call: Callable[[Samples], Figures], x: Samples) -> float:
    start = time.process_time()
    call(x)
    return time.process_time() - start


def compare(task: Task, x: Samples, runs: int) -> dict[str, Any]:
    """Check the figures, then time both sides in turn."""
    figures, expected = task.ours(x), task.reference(x)
    for key, within in task.within.items():
        a, b = figures[key], expected[key]
        if a is None or b is None or abs(a - b) > within:
            raise SystemExit(f"{task.name}, {task.against}: {key} is {a}, the reference says {b}")
    pairs = [(cpu_s(task.ours, x), cpu_s(task.reference, x)) for _ in range(runs)]
    ours, reference = (statistics.median(side) for side in zip(*pairs, strict=True))
    return {
        "task": task.name, "against": task.against, "cpu_s": ours, "reference_cpu_s": reference,
        "ratio": reference / ours, "least_ratio": min(b / a for a, b in pairs), "target": task.target,
        "figures": figures, "reference_figures": {k: expected[k] for k in task.within},
    }  # fmt: skip


def stream(seconds: float) -> None:
    """In a child: read a stream of that length, print CPU time, peak memory and a hash of the figures."""
    period = pink_noise(1.0, RATE_HZ).astype(np.float32)[: BLOCK_FRAMES // 2]
    block = np.concatenate([period, period])

    def read(blocks: int) -> tuple[Any, ...]:
        hops, peaks = loudness.HopMeter(RATE_HZ, 2), true_peak.TruePeakMeter(RATE_HZ, 2)
        hop_peaks = true_peak.HopPeakMeter(RATE_HZ, 2)
        for i in range(blocks):
            part = block[: BLOCK_FRAMES - i % 7]  # no two blocks alike in length
            for meter in (hops, peaks, hop_peaks):
                meter.push(part)
        powers = hops.result()
        return loudness.integrated_lufs(powers), loudness.loudness_range_lu(powers), peaks.result(), hop_peaks.result()

    read(2)  # compiles, or loads what was compiled
    base_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    start = time.process_time()
    figures = read(round(seconds * RATE_HZ / BLOCK_FRAMES))
    spent = time.process_time() - start
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    digest = hashlib.sha256(repr(figures[:3]).encode() + figures[3].tobytes()).hexdigest()
    print(json.dumps({"seconds": seconds, "cpu_s": spent, "before_mb": base_mb, "peak_mb": peak_mb, "sha256": digest}))


def growth(seconds: float) -> list[dict[str, Any]]:
    lengths = [seconds * factor for factor in (1, 4, 16)]
    command = [sys.executable, __file__, "--stream"]
    return [json.loads(subprocess.check_output([*command, str(length)])) for length in lengths]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=float, default=240.0)
    parser.add_argument("--runs", type=int, default=7)
    parser.add_argument("--stream", type=float, help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.stream:
        stream(args.stream)
        return
    where = machine()
    lengths = growth(args.seconds)  # first: a child's peak memory counts what its parent held when it started
    results = [
        {"material": name, **compare(task, x, args.runs)}
        for name, x in material(args.seconds).items()
        for task in TASKS
    ]
    per_hour = 3600.0 / args.seconds
    rows = [
        (r["material"], r["task"], r["cpu_s"] * per_hour, r["against"], r["ratio"], r["least_ratio"], r["target"])
        for r in results
    ]
    grown = [
        (round(g["seconds"]), g["cpu_s"], g["cpu_s"] * 3600.0 / g["seconds"], g["before_mb"], g["peak_mb"])
        for g in lengths
    ]
    head = ("material", "figures", "CPU s per hour", "against", "times faster, median", "least", "asked")
    ratios = table(head, rows)
    lines = table(("stream (s)", "CPU s", "CPU s per hour", "peak memory before (MB)", "at the end (MB)"), grown)
    save(
        "measure", "How fast are loudness and true peak, and what does length cost?", where,
        {"seconds": args.seconds, "rate_hz": RATE_HZ, "ratios": results, "growth": lengths},
        f"{args.seconds:.0f} s stereo, 44.1 kHz, float32, one thread, {args.runs} alternating runs.\n\n{ratios}\n\n"
        f"All of it (loudness, three true peaks, a peak per 10 ms) from a stream:\n\n{lines}",
    )  # fmt: skip
    missed = [r for r in results if r["target"] is not None and r["ratio"] < r["target"]]
    if missed:
        raise SystemExit("; ".join(f"{r['material']}, {r['task']}: {r['ratio']:.1f} times" for r in missed))


if __name__ == "__main__":
    main()
