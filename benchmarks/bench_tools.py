"""Does a tool file tell what to set on a stranger's tools, and does the sheet's column bring the master home?

Part `fits`: 200 bounces of processors at hidden settings, with noise, dither, 16 or 24 bit, 44.1 to 96 kHz, an offset
up to half a second and the polarity turned at random: is each read, and how near is what was found?

    python benchmarks/bench_tools.py fits [--cells FILE] [--most 50]
    python benchmarks/bench_tools.py blind /folder/of/recordings [--half odd] [--only 13 21] [--cells FILE]

Both keep what they found in results/tools.json; the table has both. With `--cells` every finished bounce is kept there,
and a run that was stopped goes on.
"""

import argparse
import json
import time
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from report import RESULTS, machine, save, table
from stranger_tools import Floats, Stranger, missing

from autochain.audio.mix import Mix
from autochain.chain.clipper import clipping_curve
from autochain.errors import AutochainError
from autochain.tool import signal
from autochain.tool.read import read_bounces


class Cells(dict[str, Any]):
    """What is finished, kept in a file of JSON lines where one is named."""

    def __init__(self, path: Path | None) -> None:
        super().__init__()
        self._path = path
        if path is not None and path.exists():
            for line in path.read_text(encoding="utf-8").splitlines():
                key, value = json.loads(line)
                self[key] = value

    def keep(self, key: str, value: Any) -> None:
        self[key] = json.loads(json.dumps(value, default=float))
        if self._path is not None:
            with self._path.open("a", encoding="utf-8") as file:
                file.write(json.dumps([key, self[key]]) + "\n")


QUESTION = "Tools: how near are fits of strangers, and does a sheet applied blindly on them come home?"
SEED = 22


def hidden(rng: np.random.Generator) -> Iterator[Stranger]:
    """200 processors."""

    def log(low: float, high: float) -> float:
        return float(f"{np.exp(rng.uniform(np.log(low), np.log(high))):.3g}")

    def between(low: float, high: float) -> float:
        return round(float(rng.uniform(low, high)), 1)

    for k in range(24):
        yield Stranger(
            kind="compressor", maker="A",
            knobs={"threshold": between(-26, -12), "ratio": log(1.5, 8), "attack": log(4, 120),
                   "release": log(100, 1600), "knee": between(0, 12)},
            words={"detector": ("rms", "peak")[k % 2], "link": ("average", "maximum")[k // 2 % 2]},
        )  # fmt: skip
    for _ in range(16):
        yield Stranger(
            kind="compressor", maker="B",
            knobs={"threshold": between(-26, -12), "ratio": log(1.5, 8), "attack": log(1, 40), "release": log(40, 500)},
        )  # fmt: skip
    for k in range(20):
        yield Stranger(
            kind="compressor", maker="ours",
            knobs={"threshold_db": between(-26, -12), "ratio": round(log(1.5, 8), 1), "knee_db": between(0, 10),
                   "attack_ms": log(1, 60), "release_ms": log(40, 600), "rms_ms": log(2, 30),
                   "sidechain_hpf_hz": (0.0, 0.0, log(40, 200))[k % 3]},
            words={"detector": ("peak", "rms")[k % 2], "release_shape": ("holds", "follows")[k // 2 % 2]},
        )  # fmt: skip
    for _ in range(24):
        yield Stranger(
            kind="limiter", maker="A",
            knobs={"ceiling": between(-14, -6), "attack": log(1, 20), "release": log(20, 400)},
        )  # fmt: skip
    for _ in range(16):
        yield Stranger(kind="limiter", maker="B", knobs={"ceiling": between(-14, -6), "release": log(20, 400)})
    for _ in range(16):
        yield Stranger(
            kind="limiter", maker="ours",
            knobs={"ceiling_dbtp": between(-14, -6), "lookahead_ms": round(log(0.6, 8), 1), "release_ms": log(10, 400)},
        )  # fmt: skip
    for k in range(24):
        kind = ("tanh", "atan", "cubic", "alg", "quintic", "sin")[k % 6]
        yield Stranger(kind="clipper", maker="A", knobs={"ceiling": between(-16, -6)}, words={"type": kind})
    for _ in range(8):
        yield Stranger(kind="clipper", maker="B", knobs={"ceiling": between(-16, -6), "knee": between(1, 8)})
    for _ in range(12):
        yield Stranger(
            kind="clipper", maker="ours",
            knobs={"ceiling_dbfs": between(-16, -6), "softness": 5.0 * rng.integers(0, 21)},
        )  # fmt: skip
    for k in range(40):
        maker = ("A", "B", "ours", "A", "B")[k % 5]
        hz, gain, q = log(60, 12000), float(rng.choice([-1, 1])) * between(2, 9), log(0.5, 5)
        if maker == "ours":
            gain, q = max(-3.0, min(3.0, gain)), max(0.5, min(1.4, q))
            settings = {"band1_freq_hz": hz, "band1_gain_db": gain, "band1_q": q}
            yield Stranger(kind="equaliser", maker=maker, knobs=settings, words={"band1_type": "bell"})
        else:
            yield Stranger(kind="equaliser", maker=maker, knobs={"frequency": hz, "gain": gain, "q": q})


def truth(one: Stranger) -> dict[str, Any]:
    """What is true of it, by fields of our models."""
    k, w = one.knobs, one.words
    match one.maker, one.kind:
        case "A", "compressor":
            return {"threshold_dbfs": k["threshold"], "ratio": k["ratio"], "knee_db": k["knee"],
                    "attack_ms": k["attack"] / 4, "release_ms": k["release"] / 4,
                    "detector": w["detector"]}  # fmt: skip
        case "B", "compressor":
            return {"threshold_dbfs": k["threshold"], "ratio": k["ratio"], "knee_db": 0.0, "attack_ms": k["attack"],
                    "release_ms": k["release"], "detector": "peak"}  # fmt: skip
        case "ours", "compressor":
            return {"threshold_dbfs": k["threshold_db"], "ratio": k["ratio"], "knee_db": k["knee_db"],
                    "attack_ms": k["attack_ms"], "release_ms": k["release_ms"], "detector": w["detector"]}  # fmt: skip
        case "A", "limiter":
            return {"ceiling_dbfs": k["ceiling"], "release_ms": k["release"], "lookahead_ms": k["attack"],
                    "true_peak": False}  # fmt: skip
        case "B", "limiter":
            return {"ceiling_dbfs": k["ceiling"], "release_ms": k["release"], "true_peak": False}
        case "ours", "limiter":
            return {"ceiling_dbfs": k["ceiling_dbtp"], "release_ms": k["release_ms"], "lookahead_ms": k["lookahead_ms"],
                    "true_peak": True}  # fmt: skip
        case _, "equaliser":
            hz, gain, q = (k[n] for n in (("band1_freq_hz", "band1_gain_db", "band1_q") if one.maker == "ours"
                                          else ("frequency", "gain", "q")))  # fmt: skip
            return {"freq_hz": hz, "gain_db": gain, "q": q, "type": "bell"}
        case _:
            return {}


def clip_error_db(one: Stranger, curve_db: tuple[tuple[float, float], ...]) -> float:
    """Largest error of a measured curve above -30 dBFS, against the formula, or the program on single values."""
    at, gains = np.array([pair for pair in curve_db if pair[0] >= -30.0]).T
    size = 10.0 ** (at / 20.0)
    if one.maker == "ours":
        wanted = clipping_curve(size, 10.0 ** (one.knobs["ceiling_dbfs"] / 20.0), one.knobs["softness"])
    elif one.maker == "A":
        T = 10.0 ** (one.knobs["ceiling"] / 20.0)
        u = size / T
        wanted = T * {
            "tanh": np.tanh, "atan": lambda v: 2 / np.pi * np.arctan(v), "alg": lambda v: v / np.sqrt(1 + v * v),
            "cubic": lambda v: np.where(v >= 1.5, 1.0, v - 4 / 27 * v**3),
            "quintic": lambda v: np.where(v >= 1.25, 1.0, v - 0.08192 * v**5),
            "sin": lambda v: np.where(v >= np.pi / 2, 1.0, np.sin(v)),
        }[one.words["type"]](u)  # fmt: skip
    else:
        # Its corner is a parabola whose place the source leaves to be computed: the program itself, held values.
        steps = np.repeat(size, 50)[:, None] * np.ones(2)
        wanted = one.process(np.concatenate([np.zeros((100, 2)), steps]), 48000)[100:, 0].reshape(-1, 50)[:, -1]
    rest = 20.0 * np.log10(wanted[0] / size[0]) - gains[0]  # a curve that begins under 0 dB is read as a gain
    return float(np.abs(20.0 * np.log10(wanted / size) - gains - rest).max())


def spoiled(sound: Floats, rng: np.random.Generator, rate_hz: int) -> tuple[Floats, dict[str, Any]]:
    """A bounce as it comes out of a studio."""
    late = int(rng.uniform(0.0, 0.5) * rate_hz)
    polarity, bits = int(rng.choice([-1, 1])), int(rng.choice([16, 24]))
    noise_dbfs = float(rng.choice([-200.0, -90.0, -80.0]))
    out = np.concatenate([np.zeros((late, 2)), polarity * sound])
    out += 10.0 ** (noise_dbfs / 20.0) * rng.standard_normal(out.shape)
    lsb = 2.0 ** (1 - bits)
    out = np.clip(np.round(out / lsb + rng.random(out.shape) - rng.random(out.shape)) * lsb, -1.0, 1.0)
    return out, {"late": late, "polarity": polarity, "bits": bits, "noise_dbfs": noise_dbfs}


def fits(cells: Cells, most: int) -> list[dict[str, Any]]:
    """Read every processor, or the first of them in an order that takes every kind in turn."""
    found = []
    everyone = list(enumerate(hidden(np.random.default_rng(SEED))))
    order = np.random.default_rng(SEED).permutation(len(everyone))[:most]
    for number, one in (everyone[place] for place in order):
        if str(number) in cells:
            found.append(cells[str(number)])
            continue
        rng = np.random.default_rng([SEED, number])
        rate_hz = int(rng.choice([44100, 48000, 96000], p=[0.4, 0.45, 0.15]))
        bounce, spoil = spoiled(one.process(signal.make(one.kind, rate_hz), rate_hz), rng, rate_hz)
        row: dict[str, Any] = {"kind": one.kind, "maker": one.maker, "knobs": one.knobs, "words": one.words,
                               "rate_hz": rate_hz, **spoil}  # fmt: skip
        samples = bounce.astype(np.float32)
        mix = Mix(samples=samples, rate_hz=rate_hz, file="bounce.wav", sha256="0" * 64, subtype="PCM_24")
        began = time.process_time()
        try:
            reading = read_bounces([mix], one.kind, "hidden", [""])  # type: ignore[arg-type]
        except AutochainError as error:
            found.append({**row, "refused": str(error)})
            cells.keep(str(number), found[-1])
            print(number, row["kind"], row["maker"], "refused", error, flush=True)
            continue
        read, fit = reading.tool.bounces[0], reading.fits[0]
        row |= {"cpu_s": round(time.process_time() - began, 2), "model": read.model, "residual_db": read.residual_db,
                "programme_db": read.programme_db, "trusted": reading.tool.trusted,
                "late_by": read.delay_samples - spoil["late"] - one.late(rate_hz),
                "polarity_right": read.polarity == spoil["polarity"]}  # fmt: skip
        if one.kind == "clipper":
            row["curve_error_db"] = clip_error_db(one, fit.curve_db)  # type: ignore[union-attr]
        row["errors"] = errors(truth(one), read.model)
        found.append(row)
        cells.keep(str(number), row)
        print(number, row["kind"], row["maker"], row["errors"], row.get("curve_error_db"), row["late_by"], row["cpu_s"],
              read.programme_db, flush=True)  # fmt: skip
    return found


RATIOS = ("ratio", "attack_ms", "release_ms", "lookahead_ms", "freq_hz", "q")


def errors(true: dict[str, Any], model: dict[str, Any]) -> dict[str, Any]:
    """Differences in dB, ratios less one, or whether a word is right."""
    found: dict[str, Any] = {}
    for name, value in true.items():
        if isinstance(value, str | bool):
            found[name] = model[name] == value
        elif name in RATIOS:
            found[name] = round(model[name] / value - 1.0, 4)
        else:
            found[name] = round(model[name] - value, 3)
    return found


# What the issue asks for: 0.3 dB, 1 dB, 5 %, 10 %.
AIMS = {"threshold_dbfs": 0.3, "ceiling_dbfs": 0.3, "knee_db": 1.0, "ratio": 0.05, "attack_ms": 0.1, "release_ms": 0.1,
        "lookahead_ms": 0.1, "freq_hz": 0.05, "gain_db": 0.3, "q": 0.05}  # fmt: skip


def fits_table(found: list[dict[str, Any]]) -> str:
    """Within the aim, by kind, maker and thing."""
    groups: dict[tuple[str, str], list[dict[str, Any]]] = defaultdict(list)
    for row in found:
        groups[row["kind"], row["maker"]].append(row)
    rows = []
    for (kind, maker), own in groups.items():
        read = [row for row in own if "model" in row]
        told = []
        names = list(dict.fromkeys(name for row in read for name in row["errors"]))
        for name in names:
            values = [row["errors"][name] for row in read]
            if isinstance(values[0], bool):
                told.append(f"{name} right in {sum(values)} of {len(values)}")
            else:
                worst = float(np.max(np.abs(values)))
                within = sum(abs(v) <= AIMS[name] for v in values)
                scale = f"{100 * worst:.1f} %" if name in RATIOS else f"{worst:.2f} dB"
                told.append(f"{name} {within}/{len(values)}, worst {scale}")
        curves = [row["curve_error_db"] for row in read if "curve_error_db" in row]
        if curves:
            told.append(f"curve {sum(c <= 0.2 for c in curves)}/{len(curves)}, worst {max(curves):.2f} dB")
        exact = sum(abs(row["late_by"]) < 0.5 and row["polarity_right"] for row in read)
        programme = float(np.median([row["programme_db"] for row in read])) if read else None
        rows.append([kind, maker, len(own), len(own) - len(read), f"{exact}/{len(read)}", programme, "; ".join(told)])
    head = ["kind", "maker", "bounces", "refused", "delay and polarity right", "off on music, median dB", "in the aim"]
    return table(head, rows)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("part", choices=("fits", "blind"))
    parser.add_argument("folder", nargs="?")
    parser.add_argument("--cells", type=Path)
    parser.add_argument("--most", type=int, default=200)
    parser.add_argument("--half", choices=("odd", "even"), default="odd")
    parser.add_argument("--only", type=int, nargs="*", default=[])
    given = parser.parse_args()
    if missing():
        raise SystemExit(f"{', '.join(missing())} not installed; these are Debian packages of those names")
    where = machine()
    path = RESULTS / "tools.json"
    known: dict[str, Any] = json.loads(path.read_text()) if path.exists() else {}
    result = {key: known.get(key, []) for key in ("fits", "blind")}
    if given.part == "fits":
        result["fits"] = fits(Cells(given.cells), given.most)
    refused = [f"- {row['kind']}, {row['maker']}: {row['refused']}" for row in result["fits"] if "refused" in row]
    told = ["Refused:\n\n" + "\n".join(refused)] if refused else []
    text = "\n\n".join(["## Fits", fits_table(result["fits"]), *told])
    save("tools", QUESTION, where, result, text)


if __name__ == "__main__":
    main()
