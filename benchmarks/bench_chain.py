"""How fast is each stage, in times real time, on one thread?

CPU time of the process, the least of several runs after a warm-up; beside it a reference from outside the
project in the same process: two second-order sections by scipy.signal.sosfilt over the same array.
"""

import argparse
import time
from collections.abc import Callable
from functools import partial

import numpy as np
import scipy.signal
from report import machine, save, table

from autochain.chain.chain import DEFAULT, STAGES
from autochain.chain.settings import ChainSettings
from autochain.demo import make_demo

RATE_HZ = 44100
BLOCK_FRAMES = 65536
# Working settings for a mix of -15 LUFS that is on its way to -9 LUFS.
SETTINGS = ChainSettings(
    {
        "rotation": {"angle_deg": 40.0},
        "equaliser": {
            "band1_type": "highpass", "band1_freq_hz": 25.0,
            "band2_type": "lowshelf", "band2_freq_hz": 100.0, "band2_gain_db": 1.0,
        },
        "dynamic_bell": {"band1_freq_hz": 3000.0, "band1_threshold_db": -30.0, "band1_range_db": -3.0},
        "tone": {"band1_type": "highshelf", "band1_freq_hz": 9000.0, "band1_gain_db": 0.7},
        "bus_compressor": {"threshold_db": -10.0},
        "peak_compressor": {"threshold_db": -7.0},
        "drive": {"gain_db": 6.5},
        "clipper": {"ceiling_dbfs": 0.0, "softness": 30.0},
        "transient": {"onset_db": 1.0},
        "limiter": {"ceiling_dbtp": -1.0, "release_ms": 80.0},
        "output": {"trim_db": -0.1},
    }
)


def least_cpu_s(call: Callable[[], object], runs: int) -> float:
    times = []
    for _ in range(runs):
        start = time.process_time()
        call()
        times.append(time.process_time() - start)
    return min(times)


def streamed(mix: np.ndarray, settings: ChainSettings) -> None:
    blocks = (mix[start : start + BLOCK_FRAMES] for start in range(0, len(mix), BLOCK_FRAMES))
    for _ in DEFAULT.stream(RATE_HZ, mix.shape[1], settings).run(blocks):
        pass


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=float, default=240.0)
    parser.add_argument("--runs", type=int, default=3)
    args = parser.parse_args()
    where = machine()
    settings = DEFAULT.checked(SETTINGS)
    mix = np.ascontiguousarray(make_demo("dense_rock", RATE_HZ, duration_s=args.seconds), dtype=np.float32)
    seconds = mix.shape[0] / RATE_HZ
    DEFAULT.render(mix[: 10 * RATE_HZ], RATE_HZ, settings)  # compiles, or loads what was compiled

    sections = scipy.signal.butter(4, 40.0, "highpass", fs=RATE_HZ, output="sos")
    times = {"reference": least_cpu_s(lambda: scipy.signal.sosfilt(sections, mix, axis=0), args.runs)}
    reductions: dict[str, float | None] = {}
    x = mix
    for name, stage in STAGES.items():
        times[name] = least_cpu_s(
            partial(stage.process, x, RATE_HZ, settings[name]), args.runs
        )
        done = stage.process(x, RATE_HZ, settings[name])
        reductions[name] = None if done.trace is None else float(np.max(np.abs(done.trace.max_db)))
        x = done.samples
    times["whole chain"] = least_cpu_s(lambda: DEFAULT.render(mix, RATE_HZ, settings), args.runs)
    times["whole chain in blocks"] = least_cpu_s(lambda: streamed(mix, settings), args.runs)
    speeds = {
        name: {
            "cpu_s": cpu_s,
            "times_real_time": seconds / cpu_s,
            "reference_over_stage": times["reference"] / cpu_s,
            "most_change_db": reductions.get(name),
        }
        for name, cpu_s in times.items()
    }
    rows = [
        (name, s["cpu_s"], round(s["times_real_time"]), s["reference_over_stage"], s["most_change_db"])
        for name, s in speeds.items()
    ]
    head = ("stage", "CPU s", "x real time", "speed over the reference's", "largest change of level (dB)")
    save(
        "chain", "How fast is each stage, on one thread?", where,
        {"seconds": seconds, "rate_hz": RATE_HZ, "settings": settings, "stages": speeds},
        f"{seconds:.0f} s stereo, 44.1 kHz, float32; reference: two biquads by scipy.signal.sosfilt.\n\n"
        + table(head, rows),
    )  # fmt: skip


if __name__ == "__main__":
    main()
