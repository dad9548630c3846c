"""Short songs for the tests of the desk, and settings that work hard on them."""

from functools import cache

import numpy as np
import numpy.typing as npt

from autochain.audio.mix import Mix
from autochain.chain.chain import DEFAULT
from autochain.chain.settings import ChainSettings
from autochain.config import read_config
from autochain.config.model import Target
from autochain.demo import make_demo
from autochain.desk.hand import HandState
from autochain.desk.place import PlayedPlace
from autochain.measure.loudness import integrated_lufs, weighted_hops

CONFIG = read_config()
TARGET = Target(lufs=-9.0, ceiling_dbtp=-1.0)

# Every stage in, all at work; releases that two seconds in front outlast.
SETTINGS = DEFAULT.checked(
    {
        "rotation": {"angle_deg": 40.0},
        "equaliser": {"band1_type": "highpass", "band1_freq_hz": 25.0},
        "dynamic_bell": {"band1_freq_hz": 3000.0, "band1_threshold_db": -30.0, "band1_range_db": -3.0},
        "tone": {"band1_type": "highshelf", "band1_freq_hz": 9000.0, "band1_gain_db": 0.7},
        "bus_compressor": {"threshold_db": -14.0, "release_ms": 150.0},
        "peak_compressor": {"threshold_db": -10.0},
        "drive": {"gain_db": 7.0},
        "clipper": {"ceiling_dbfs": -0.5, "softness": 30.0},
        "transient": {"onset_db": 1.0},
        "limiter": {"ceiling_dbtp": -1.1, "release_ms": 80.0},
        "output": {
            "trim_db": -0.3, "head_cut_ms": 20.0, "fade_in_ms": 15.0, "fade_out_ms": 900.0, "tail_cut_ms": 100.0,
        },
    }
)  # fmt: skip


@cache
def samples(seconds: float, rate_hz: int = 44100) -> npt.NDArray[np.float32]:
    return np.ascontiguousarray(make_demo("dense_rock", rate_hz, seconds, 1), dtype=np.float32)


def song(seconds: float = 24.0, rate_hz: int = 44100, channels: int = 2) -> Mix:
    own = np.ascontiguousarray(samples(seconds, rate_hz)[:, :channels])
    return Mix(samples=own, rate_hz=rate_hz, file="song.wav", sha256="0" * 64, subtype="FLOAT")


def state(settings: ChainSettings = SETTINGS, **more: object) -> HandState:
    return HandState(**{"settings": settings, "target": TARGET, **more})


def place_of(mix: Mix, start_s: float) -> PlayedPlace:
    lufs = integrated_lufs(weighted_hops(mix.samples, mix.rate_hz))
    assert lufs is not None
    return PlayedPlace(
        mix, start_s, lufs, chain=CONFIG.chain_plan, drive=CONFIG.search.drive, weights=CONFIG.weights
    )
