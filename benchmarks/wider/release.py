"""The limiter's ways back: slower the more it worked, or fast after single peaks and slow after long work.

Both are slower than the fixed one of the same time, so they are tried at a third of it too.
"""

from wider.sound import Base, Setting, Sound, clip, limit


def _setting(behaviour: str, share: float) -> Setting:
    def play(sound: Sound, base: Base, ceiling_dbtp: float) -> Sound:
        release_ms = max(2.0, base.release_ms * share)
        return limit(clip(sound, base.clip_db), ceiling_dbtp, release_ms, release_behaviour=behaviour)

    return Setting(name=f"{behaviour}, release x {share:.2g}", play=play)


SETTINGS = (_setting("by_work", 1.0 / 3.0), _setting("two_stage", 1.0), _setting("two_stage", 1.0 / 3.0))
