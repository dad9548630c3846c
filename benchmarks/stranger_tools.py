"""Processors that are not ours, for `bench_tools.py`: general-purpose filters of two open command-line libraries.

Library A: Debian package `ffmpeg`; library B: Debian package `sox`. Neither is made for mastering. What their numbers
mean was read in their sources: A's compressor counts four time constants as its attack and release (coefficient
4000 / (ms fs)), its knee is a factor k around the threshold, 20 lg k dB wide; A's limiter has straight ramps in gain
and is late by its attack less one sample; A's soft clipper is threshold f(x / threshold); B's compander smooths a
magnitude with one pole; both equalisers are the cookbook's peaking filter.
"""

import shutil
import subprocess
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from autochain.chain.clipper import STAGE as OUR_CLIPPER
from autochain.chain.compressor import BUS, PEAK
from autochain.chain.equaliser import BROAD
from autochain.chain.limiter import STAGE as OUR_LIMITER

Floats = npt.NDArray[np.float64]


def missing() -> list[str]:
    """Programs that are not installed."""
    return [name for name in ("ffmpeg", "sox") if shutil.which(name) is None]


def through_a(sound: Floats, rate_hz: int, filters: str) -> Floats:
    """Run library A's filters on a sound of two channels, in float64."""
    raw = ["-f", "f64le", "-ar", str(rate_hz), "-ac", "2"]
    command = ["ffmpeg", "-v", "error", *raw, "-i", "-", "-af", f"aformat=sample_fmts=dbl,{filters}", *raw, "-"]
    done = subprocess.run(command, input=sound.astype("<f8").tobytes(), capture_output=True, check=True)
    return np.frombuffer(done.stdout, "<f8").reshape(-1, 2).copy()


def through_b(sound: Floats, rate_hz: int, effects: list[str]) -> Floats:
    """Run library B's effects on a sound of two channels, in 32 bit."""
    command = ["sox", "-D", "-t", "f64", "-r", str(rate_hz), "-c", "2", "-", "-t", "f64", "-", *effects]
    done = subprocess.run(command, input=sound.astype("<f8").tobytes(), capture_output=True, check=True)
    return np.frombuffer(done.stdout, "<f8").reshape(-1, 2).copy()


@dataclass(frozen=True, kw_only=True)
class Stranger:
    """A processor with its knobs and what is true of it.

    `truth` has fields of our models; `late` is its delay in samples by rate.
    """

    kind: str
    maker: str  # `A`, `B` or `ours`
    knobs: dict[str, float]
    words: dict[str, str] = field(default_factory=dict)

    def process(self, sound: Floats, rate_hz: int) -> Floats:
        """Run it."""
        k, w = self.knobs, self.words
        match self.maker, self.kind:
            case "A", "compressor":
                threshold, knee = (10.0 ** (k[name] / 20.0) for name in ("threshold", "knee"))
                return through_a(
                    sound, rate_hz,
                    f"acompressor=threshold={threshold:.9g}:ratio={k['ratio']:.9g}:attack={k['attack']:.9g}"
                    f":release={k['release']:.9g}:knee={knee:.9g}:detection={w['detector']}:link={w['link']}",
                )  # fmt: skip
            case "A", "limiter":
                limit = 10.0 ** (k["ceiling"] / 20.0)
                return through_a(
                    sound, rate_hz,
                    f"alimiter=limit={limit:.9g}:attack={k['attack']:.9g}:release={k['release']:.9g}:level=false",
                )  # fmt: skip
            case "A", "clipper":
                return through_a(
                    sound, rate_hz, f"asoftclip=type={w['type']}:threshold={10 ** (k['ceiling'] / 20):.9g}"
                )
            case "A", "equaliser":
                return through_a(
                    sound, rate_hz, f"equalizer=f={k['frequency']:.9g}:t=q:w={k['q']:.9g}:g={k['gain']:.9g}"
                )
            case "B", "compressor":
                top = k["threshold"] * (1.0 - 1.0 / k["ratio"])
                points = f"-90,-90,{k['threshold']:.9g},{k['threshold']:.9g},0,{top:.9g}"
                times = f"{k['attack'] / 1e3:.9g},{k['release'] / 1e3:.9g}"
                return through_b(sound, rate_hz, ["compand", times, points, "0", "-90", "0"])
            case "B", "limiter":
                points = f"-90,-90,{k['ceiling']:.9g},{k['ceiling']:.9g},0,{k['ceiling']:.9g}"
                return through_b(sound, rate_hz, ["compand", f"0,{k['release'] / 1e3:.9g}", points, "0", "-90", "0"])
            case "B", "clipper":
                points = f"{k['knee']:.9g}:-90,-90,{k['ceiling']:.9g},{k['ceiling']:.9g},0,{k['ceiling']:.9g}"
                return through_b(sound, rate_hz, ["compand", "0,0", points])
            case "B", "equaliser":
                return through_b(
                    sound, rate_hz, ["equalizer", f"{k['frequency']:.9g}", f"{k['q']:.9g}q", f"{k['gain']:.9g}"]
                )
            case _:
                stage = {"compressor": PEAK if k.get("attack_ms", 1) < 1 else BUS, "limiter": OUR_LIMITER,
                         "clipper": OUR_CLIPPER, "equaliser": BROAD}[self.kind]  # fmt: skip
                settings = stage.checked({**k, **w})
                return stage.process(sound.astype(np.float32), rate_hz, settings).samples.astype(np.float64)

    def late(self, rate_hz: int) -> int:
        """By how many samples its output is late."""
        attack = self.maker == "A" and self.kind == "limiter"
        return int(rate_hz * self.knobs["attack"] / 1000.0) - 1 if attack else 0
