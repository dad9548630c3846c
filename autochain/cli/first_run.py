"""The first run after an installation: compile every loop at once, one half in a second process.

Compiled code is kept on disk by numba, beside the package or, where that is not writable, in the user's cache
folder. Compiling takes one core and holds the interpreter, so threads would not share it; processes do.
"""

import subprocess
import sys
import time

import numpy as np

from autochain.audio.signals import pink_noise
from autochain.chain.chain import DEFAULT
from autochain.measure.crest import CrestReference
from autochain.measure.distortion import DistortionReference
from autochain.measure.hop_sums import measure_hop_sums
from autochain.measure.measurement import measure
from autochain.measure.movement import gain_movement_db
from autochain.prepare.symmetry import choose_rotation
from autochain.search.progress import Progress

_RATE_HZ = 44100
_SOUND_S = 4.0
# What was compiled before loads in a few ms; compiling the first loop takes a second.
_LOADED_WITHIN_S = 0.3


def compile_first(progress: Progress) -> None:
    """Compile what a search needs, if nothing has been compiled yet; otherwise return at once."""
    sound = pink_noise(_SOUND_S, _RATE_HZ, -12.0).astype(np.float32)
    started = time.perf_counter()
    measure_hop_sums(sound, _RATE_HZ)
    if time.perf_counter() - started < _LOADED_WITHIN_S:
        return
    progress("compiling, this once", 0.0)
    command = [sys.executable, "-m", __name__]
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL):
        _compile_one_half(sound)  # leaving the block waits for the other half


def _compile_one_half(sound: np.ndarray) -> None:
    measure(sound, _RATE_HZ)
    choose_rotation(sound, _RATE_HZ, np.ones(round(_SOUND_S * 100), dtype=bool), 0.01)
    DistortionReference(sound, _RATE_HZ, -12.0).compare(0.5 * sound)
    gain_movement_db([np.linspace(0.0, 1.0, 400, dtype=np.float32)], [np.ones(400, dtype=bool)])


def _compile_other_half(sound: np.ndarray) -> None:
    settings = {
        "bus_compressor": {},
        "peak_compressor": {},
        "drive": {"gain_db": 9.0},
        "clipper": {"ceiling_dbfs": -6.0},
        "transient": {"onset_db": 1.0},
        "limiter": {},
    }
    DEFAULT.render(sound, _RATE_HZ, DEFAULT.checked(settings))
    CrestReference(sound, _RATE_HZ).compare(0.5 * sound)


if __name__ == "__main__":
    _compile_other_half(pink_noise(_SOUND_S, _RATE_HZ, -12.0).astype(np.float32))
