"""The first `check` after an installation: compile what looks at a mix at once, one half in a second process.

`cli.first_run` does the same for a search.
"""

import subprocess
import sys
from collections.abc import Callable
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
from autochain.measure.spectrum import SpectrumMeter
from autochain.measure.spikes import measure_spikes
from autochain.measure.true_peak import hop_peaks, read_true_peak

RATE_HZ = 44100
_SOUND_S = 4.0


def compiled_now(kernel: Any) -> bool:
    """Whether this process compiled a loop instead of loading it from where numba keeps it."""
    return bool(sum(kernel.stats.cache_misses.values()))


def sound() -> np.ndarray:
    """A few seconds for every loop to work on."""
    return pink_noise(_SOUND_S, RATE_HZ, -12.0).astype(np.float32)


def compile_inspection(progress: Callable[[str, float], None]) -> None:
    """Compile what `check` needs, if nothing has been compiled yet; otherwise return at once."""
    measure_hop_sums(sound(), RATE_HZ)
    if not compiled_now(hop_sums):
        return
    progress("compiling, this once", 0.0)
    command = [sys.executable, "-m", __name__]
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as other:
        _compile_one_half()
        other.wait()
    inspect(sound(), RATE_HZ)


def _compile_one_half() -> None:
    for look in (measure_spikes, find_hum, weighted_hops, find_clipped_runs):
        look(sound(), RATE_HZ)

def _compile_other_half() -> None:
    spectrum = SpectrumMeter(RATE_HZ, 2)
    spectrum.push(sound())
    spectrum.result()
    for look in (read_true_peak, hop_peaks, measure_resonance):
        look(sound(), RATE_HZ)

if __name__ == "__main__":
    _compile_other_half()
