"""The first `check` after an installation: compile what looks at a mix at once, one half in a second process.

`cli.first_run` does the same for a search.
"""

import gc
import subprocess
import sys
from collections.abc import Callable, Sequence
from functools import cache
from typing import Any

import numpy as np

from autochain.audio.signals import pink_noise
from autochain.measure._hop_sums_kernels import hop_sums
from autochain.measure.clipped import find_clipped_runs
from autochain.measure.hop_sums import measure_hop_sums
from autochain.measure.hum import find_hum
from autochain.measure.inspection import inspect
from autochain.measure.loudness import weighted_hops
from autochain.measure.resonance import measure_resonance
from autochain.measure.spectrum import measure_spectrum
from autochain.measure.spikes import measure_spikes
from autochain.measure.true_peak import hop_peaks, read_true_peak
from autochain.progress import Progress

RATE_HZ = 44100
_SOUND_S = 4.0


def compiles(kernel: Any, call: Callable[[], object]) -> bool:
    """Whether a call compiles a loop instead of loading it from where numba keeps it.

    What the process has compiled before, for other kinds of samples, does not count.
    """
    before = sum(kernel.stats.cache_misses.values())
    call()
    return bool(sum(kernel.stats.cache_misses.values()) > before)


@cache
def sound() -> np.ndarray:
    """A few seconds for every loop to work on; not to be written to."""
    return pink_noise(_SOUND_S, RATE_HZ, -12.0).astype(np.float32)


def compile_inspection(progress: Progress) -> None:
    """Compile what `check` needs, if nothing has been compiled yet; otherwise return at once."""
    if compiles(hop_sums, lambda: measure_hop_sums(sound(), RATE_HZ)):
        compile_halves(__name__, _ONE_HALF, progress)
        inspect(sound(), RATE_HZ)


def compile_halves(module: str, steps: Sequence[Callable[[], object]], progress: Progress) -> None:
    """Compile one half here, step by step, while a second process runs a module that compiles the other."""
    words = "compiling, once after an installation"
    progress(words, 0.0)
    command = [sys.executable, "-m", module]
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL):
        for done, step in enumerate(steps, start=1):
            step()
            progress(words, done / len(steps))
        # leaving the block waits for the other half


def _on_sound(look: Callable[[np.ndarray, int], object]) -> Callable[[], object]:
    return lambda: look(sound(), RATE_HZ)


_ONE_HALF = tuple(map(_on_sound, (measure_hop_sums, measure_spikes, find_hum, weighted_hops, find_clipped_runs)))
_OTHER_HALF = tuple(map(_on_sound, (measure_spectrum, read_true_peak, hop_peaks, measure_resonance)))
INSPECTION = (*_ONE_HALF, *_OTHER_HALF)

if __name__ == "__main__":
    gc.disable()
    for step in _OTHER_HALF:
        step()
