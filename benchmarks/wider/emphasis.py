"""Clipping between a shelf and its inverse, which moves what the clipper adds to where the shelf stands lower.

Shelves of 4 dB at 1 kHz, and of -6 and 4 dB at 150 Hz, gained nothing on the first three recordings and were left out.
A base that does not clip gets 3 dB of it. A limiter behind takes what the second shelf brings up again.
"""

from dataclasses import replace

from autochain.chain.biquad import high_shelf, low_shelf
from wider.sound import RATE_HZ, Base, Setting, Sound, clip, filtered, limit

_Q = 0.7


def _setting(kind: str, freq_hz: float, gain_db: float) -> Setting:
    design = {"high": high_shelf, "low": low_shelf}[kind]
    section = design(freq_hz, gain_db, _Q, RATE_HZ)

    def play(sound: Sound, base: Base, ceiling_dbtp: float) -> Sound:
        bent = clip(replace(sound, samples=filtered(sound.samples, section)), base.clip_db or 3.0)
        back = filtered(bent.samples, section, inverse=True)
        return limit(replace(bent, samples=back), ceiling_dbtp, base.release_ms)

    return Setting(name=f"{kind} shelf {freq_hz:g} Hz, {gain_db:+g} dB", play=play)


SETTINGS = (_setting("high", 3000.0, 6.0), _setting("high", 3000.0, -6.0))
