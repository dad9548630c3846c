"""A bell on the bass that cuts while it is loud, before the peak stages: as deep as its range in the loudest tenth.

Bells at 80 (fast) and 110 Hz cost still more on the first three recordings and were left out.
"""

from dataclasses import replace

import numpy as np
import scipy.signal

from autochain.chain.dynamic_bell import RATIO, STAGE
from wider.sound import RATE_HZ, Base, Setting, Sound, plain

_Q = 0.7
_WINDOW = RATE_HZ // 20
_LOWER = np.float32(0.0625)


def _setting(freq_hz: float, range_db: float, attack_ms: float = 10.0, release_ms: float = 100.0) -> Setting:
    def play(sound: Sound, base: Base, ceiling_dbtp: float) -> Sound:
        lower = sound.samples * _LOWER  # thresholds end at 0 dBFS
        b, a = scipy.signal.iirpeak(freq_hz, _Q, RATE_HZ)
        band = scipy.signal.lfilter(b, a, lower, axis=0)
        power = np.square(band[: len(band) // _WINDOW * _WINDOW]).reshape(-1, _WINDOW, 2).mean(axis=1).max(axis=1)
        loud_db = 10.0 * np.log10(2.0 * np.percentile(power, 90.0) + 1e-12)  # as the peak of a sine
        threshold_db = max(-60.0, loud_db + range_db / (1.0 - 1.0 / RATIO))
        bell = {
            "freq_hz": freq_hz, "q": _Q, "threshold_db": threshold_db, "range_db": range_db, "attack_ms": attack_ms,
            "release_ms": release_ms,
        }  # fmt: skip
        settings = STAGE.checked({f"band1_{name}": value for name, value in bell.items()})
        done = STAGE.process(lower, RATE_HZ, settings)
        return plain(replace(sound, samples=done.samples / _LOWER), base, ceiling_dbtp)

    return Setting(name=f"{freq_hz:g} Hz, {range_db:g} dB, {attack_ms:g}/{release_ms:g} ms", play=play)


SETTINGS = (_setting(60.0, -3.0),)
