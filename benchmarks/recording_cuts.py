"""A stretch of a recording at 48 kHz, behind the rotation that the package chooses for a target a few dB over gain."""

from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
import soxr

from autochain.audio.files import read_mix
from autochain.audio.mix import Mix, Samples
from autochain.chain.chain import DEFAULT
from autochain.chain.settings import ROTATION, ChainSettings
from autochain.config import read_config
from autochain.config.model import Config
from autochain.measure.loudness import integrated_lufs, weighted_hops
from autochain.measure.measurement import measure
from autochain.search.rotation import rotation_on

RATE_HZ = 48000
CUT_S = 21.0  # four stretches of 5 s are judged
CEILING_DBTP = -1.0
LOUDEST_LUFS = -7.0
LEAST_DB = 4.0


@dataclass(frozen=True)
class Cut:
    """The loudest 21 s of a recording, and a target so many dB over what gain alone reaches.

    `mix` is what the package would be given, `samples` the same behind the rotation it chooses.
    """

    recording: int
    above_db: float
    mix: Mix
    config: Config
    rotated: bool
    samples: Samples

    @property
    def lufs(self) -> float:
        return self.config.target.loudness_lufs

    @cached_property
    def own_lufs(self) -> float:
        found = integrated_lufs(weighted_hops(self.samples, RATE_HZ))
        assert found is not None
        return found


def loudest(path: Path) -> Samples:
    """The 21 s of highest mean square, on a grid of 1 s, at 48 kHz."""
    mix = read_mix(path)
    x = mix.samples
    power = np.square(x[: len(x) // mix.rate_hz * mix.rate_hz].astype(np.float64)).reshape(-1, mix.rate_hz * x.shape[1])
    sums = np.convolve(power.mean(axis=1), np.ones(round(CUT_S)), mode="valid")
    first = int(np.argmax(sums)) * mix.rate_hz if sums.size else 0
    part = x[first : first + round(CUT_S) * mix.rate_hz]
    if part.shape[1] == 1:
        part = np.repeat(part, 2, axis=1)
    found = part if mix.rate_hz == RATE_HZ else soxr.resample(part, mix.rate_hz, RATE_HZ)
    return np.ascontiguousarray(found, dtype=np.float32)


def cut(number: int, path: Path, wanted_db: float, *, corrective: bool = True) -> Cut | None:
    """The cut and its target: as wanted, or as far as -7 LUFS; None where that is less than 4 dB over gain alone."""
    samples = loudest(path)
    mix = Mix(samples=samples, rate_hz=RATE_HZ, file=f"recording {number}", sha256="", subtype="FLOAT")
    figures = measure(samples, RATE_HZ)
    assert figures.integrated_lufs is not None
    assert figures.true_peak_dbtp is not None
    gain_alone = figures.integrated_lufs + CEILING_DBTP - figures.true_peak_dbtp
    above = min(wanted_db, LOUDEST_LUFS - gain_alone)
    if above < LEAST_DB:
        return None
    target = {"lufs": round(gain_alone + above, 1), "ceiling_dbtp": CEILING_DBTP}
    prepare = {"corrective": corrective, "fades": False, "cut_silence": False}
    config = read_config(None, {"target": target, "prepare": prepare})
    found = rotation_on(mix, figures, weighted_hops(samples, RATE_HZ), config.target, config.search.excerpts)
    turned = samples
    if found.used:
        settings = DEFAULT.checked(ChainSettings({ROTATION: found.settings}))
        turned = DEFAULT.render(samples, RATE_HZ, settings).samples
    return Cut(number, round(above, 1), mix, config, found.used, turned)
