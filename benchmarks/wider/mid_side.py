"""Mid and side clipped or limited apart, each by so much off its own highest peak; a linked limiter holds the ceiling.

The limiter gives mid and side gains of their own, the clipper clips mid and leaves the side alone. Both clipped by 3 dB
read as mid alone on the first three recordings.
"""

from dataclasses import replace

import numpy as np

from wider.sound import Base, Setting, Sound, clip, limit, turned, turned_back


def _clipped(by_db: tuple[float, float]) -> Setting:
    def play(sound: Sound, base: Base, ceiling_dbtp: float) -> Sound:
        both = turned(sound.samples)
        parts = [clip(replace(sound, samples=both[:, [k]]), one) for k, one in enumerate(by_db)]
        apart = turned_back(np.concatenate([part.samples for part in parts], axis=1))
        first = sound.peak_dbfs - max(by_db)
        return limit(replace(sound, samples=apart, first_dbfs=first), ceiling_dbtp, base.release_ms)

    return Setting(name=f"clipped by {by_db[0]:g} and {by_db[1]:g} dB", play=play)


def _limited(by_db: float) -> Setting:
    def play(sound: Sound, base: Base, ceiling_dbtp: float) -> Sound:
        sound = clip(sound, base.clip_db)
        parts = []
        for part in turned(sound.samples).T:
            alone = Sound(samples=np.ascontiguousarray(part[:, None]))
            parts.append(limit(alone, max(-24.0, alone.peak_dbfs - by_db), base.release_ms))
        apart = turned_back(np.concatenate([part.samples for part in parts], axis=1))
        return limit(replace(sound, samples=apart, taken=parts[0].taken), ceiling_dbtp, base.release_ms)

    return Setting(name=f"limited by {by_db:g} dB", play=play)


SETTINGS = (_clipped((3.0, 0.0)), _limited(3.0))
