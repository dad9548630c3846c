"""Two limiters or two clippers in series, which share the work on the highest peak half and half.

A fast limiter (5 ms) first gained nothing on the first three recordings and was left out.
"""

from wider.sound import Base, Setting, Sound, clip, limit


def _limiters(name: str, first_release_ms: float) -> Setting:
    def play(sound: Sound, base: Base, ceiling_dbtp: float) -> Sound:
        sound = clip(sound, base.clip_db)
        halfway = 0.5 * (sound.peak_dbfs + ceiling_dbtp)
        return limit(limit(sound, halfway, first_release_ms), ceiling_dbtp, base.release_ms)

    return Setting(name=name, play=play)


def _clippers(sound: Sound, base: Base, ceiling_dbtp: float) -> Sound:
    half = 0.5 * (base.clip_db or 3.0)
    return limit(clip(clip(sound, half, 100.0), half, 0.0), ceiling_dbtp, base.release_ms)


SETTINGS = (
    _limiters("slow limiter (300 ms) first", 300.0),
    Setting(name="soft clipper, then hard clipper", play=_clippers),
)
