"""Which clipping curve costs least at equal output loudness, and from what peak reduction does a softer one win?

For every material the hard clip (softness 0) takes 1 to 10 dB off the highest peak. Each softer curve is driven
until its output has the same integrated loudness under the same ceiling; then all are compared with the mix. Equal
drive would be no comparison: a softer curve is quieter there.
"""

import argparse
import math
from typing import Any

import numpy as np
import scipy.optimize
from report import machine, save, table

from autochain.audio.mix import Samples
from autochain.audio.signals import noise, pink_noise, struck
from autochain.chain import clipper
from autochain.demo import CHARACTERS, make_demo
from autochain.measure.distortion import DistortionReference
from autochain.measure.loudness import integrated_lufs, weighted_hops

RATE_HZ = 44100
SOFTNESS = (0.0, 25.0, 50.0, 75.0, 100.0)
REDUCTIONS_DB = tuple(float(d) for d in range(1, 11))
LOUDNESS_TOLERANCE_LU = 0.002
MOST_EXTRA_DRIVE_DB = 12.0
FIGURES = {
    "nmr_db": "added distortion, noise-to-mask ratio (dB, lower is better)",
    "nmr_low_db": "the same below 200 Hz (dB, lower is better)",
    "sdr_db": "signal-to-distortion ratio (dB, higher is better)",
}


def materials(seconds: float) -> dict[str, Samples]:
    """Noise and struck notes, the sounds of the distortion tests, and a stretch of every demo mix."""
    sounds = {
        "white noise": noise(seconds, RATE_HZ, seed=3),
        "pink noise": pink_noise(seconds, RATE_HZ, seed=5),
        "struck notes": struck(pink_noise(seconds, RATE_HZ, seed=6), RATE_HZ),
    }
    sounds |= {name: make_demo(name, RATE_HZ, duration_s=max(10.0, seconds)) for name in CHARACTERS}
    return {name: np.ascontiguousarray(sound, dtype=np.float32) for name, sound in sounds.items()}


def lufs(samples: Samples) -> float:
    level = integrated_lufs(weighted_hops(samples, RATE_HZ))
    assert level is not None
    return level


def clip(mix: Samples, drive_db: float, softness: float) -> Samples:
    """The chain's clipper at a ceiling of 0 dBFS behind a drive."""
    driven = np.asarray(mix * np.float32(10.0 ** (drive_db / 20.0)))
    settings = clipper.STAGE.checked({"ceiling_dbfs": 0.0, "softness": softness})
    return clipper.STAGE.process(driven, RATE_HZ, settings).samples


def signal_to_distortion_db(mix: Samples, output: Samples) -> float:
    """Power of the output explained by one real gain per channel over what is left."""
    explained = left = 0.0
    for x, y in zip(mix.T.astype(float), output.T.astype(float), strict=True):
        fitted = x * (np.dot(x, y) / np.dot(x, x))
        explained, left = explained + np.sum(fitted**2), left + np.sum((y - fitted) ** 2)
    return float(10.0 * np.log10(explained / left))


def solve_drive(mix: Samples, softness: float, hard_db: float, wanted_lufs: float) -> float | None:
    """Drive at which the curve is as loud as the hard clip; None when it does not get there."""

    def missing(drive_db: float) -> float:
        return lufs(clip(mix, drive_db, softness)) - wanted_lufs

    high = hard_db + 1.0
    while missing(high) < 0.0:
        high += 2.0
        if high > hard_db + MOST_EXTRA_DRIVE_DB:
            return None
    # Loudness rises by at most 1 LU per dB of drive.
    return float(scipy.optimize.brentq(missing, hard_db - 0.5, high, xtol=LOUDNESS_TOLERANCE_LU))


def curves_of(mix: Samples) -> list[dict[str, Any]]:
    """One row per peak reduction and softness."""
    reference = DistortionReference(mix, RATE_HZ, lufs(mix))
    peak_dbfs = 20.0 * math.log10(float(np.abs(mix).max()))
    rows: list[dict[str, Any]] = []
    for reduction_db in REDUCTIONS_DB:
        hard_db = reduction_db - peak_dbfs
        wanted = lufs(clip(mix, hard_db, 0.0))
        for softness in SOFTNESS:
            row: dict[str, Any] = {"reduction_db": reduction_db, "softness": softness, "lufs": wanted}
            drive_db = hard_db if softness == 0.0 else solve_drive(mix, softness, hard_db, wanted)
            if drive_db is not None:
                output = clip(mix, drive_db, softness)
                distortion = reference.compare(output)
                assert distortion is not None
                row |= {
                    "extra_drive_db": drive_db - hard_db,
                    "nmr_db": distortion.nmr_db,
                    "nmr_low_db": distortion.nmr_low_db,
                    "sdr_db": signal_to_distortion_db(mix, output),
                }
            rows.append(row)
    return rows


def series(rows: list[dict[str, Any]], softness: float, figure: str) -> list[float | None]:
    return [row.get(figure) for row in rows if row["softness"] == softness]


def crossover(rows: list[dict[str, Any]], softness: float, figure: str) -> str:
    """Peak reduction from which the softer curve stays better than the hard one, by straight lines between rows."""
    sign = -1.0 if figure == "sdr_db" else 1.0
    ahead = [
        None if soft is None or hard is None else sign * (hard - soft)
        for hard, soft in zip(series(rows, 0.0, figure), series(rows, softness, figure), strict=True)
    ]
    known = [(d, a) for d, a in zip(REDUCTIONS_DB, ahead, strict=True) if a is not None]
    worse = [i for i, (_, a) in enumerate(known) if a <= 0.0]
    if not worse:
        return f"below {known[0][0]:g}"
    last = worse[-1]
    if last == len(known) - 1:
        return "never"
    (d0, a0), (d1, a1) = known[last], known[last + 1]
    return f"{d0 + (d1 - d0) * a0 / (a0 - a1):.1f}"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=float, default=10.0)
    args = parser.parse_args()
    where = machine()
    found = {name: curves_of(mix) for name, mix in materials(args.seconds).items()}
    soft = SOFTNESS[1:]
    crossovers = {
        figure: {name: [crossover(rows, s, figure) for s in soft] for name, rows in found.items()}
        for figure in FIGURES
    }
    parts = [
        f"{args.seconds:g} s of each, 44.1 kHz stereo. 'Peak reduction' is how far the hard clip lies under the "
        "highest peak; softer curves have the loudness of the hard one under the same ceiling.",
        "## Peak reduction (dB) from which a softer curve stays better than the hard clip",
    ]
    for figure, meaning in FIGURES.items():
        parts.append(f"By {meaning}:")
        head = ("material", *(f"softness {s:g} %" for s in soft))
        parts.append(table(head, [(name, *values) for name, values in crossovers[figure].items()]))
    for name, rows in found.items():
        parts.append(f"## {name}")
        short = (f"{name} {s:g} %" for name in ("NMR", "low NMR", "SDR") for s in SOFTNESS)
        head = ("peak reduction (dB)", "LUFS", *short)
        columns = [series(rows, s, figure) for figure in FIGURES for s in SOFTNESS]
        loud = series(rows, 0.0, "lufs")
        body = [(f"{d:g}", loud[i], *(column[i] for column in columns)) for i, d in enumerate(REDUCTIONS_DB)]
        parts.append(table(head, [[f"{c:.1f}" if isinstance(c, float) else c for c in row] for row in body]))
    save(
        "clip_curves", "Which clipping curve costs least at equal output loudness?", where,
        {"seconds": args.seconds, "rate_hz": RATE_HZ, "crossover_db": {
            figure: {name: dict(zip(map(str, soft), values, strict=True)) for name, values in by_material.items()}
            for figure, by_material in crossovers.items()}, "curves": found},
        "\n\n".join(parts),
    )  # fmt: skip


if __name__ == "__main__":
    main()
