"""The limiter's ways back: fast after single peaks and slow after long work.

That is slower than the fixed one of the same time, so it is tried at a third of it too. The way that is slower the more
it worked gained nothing on the first three recordings and was left out.
"""

from wider.sound import Base, Setting, Sound, clip, limit


def _setting(behaviour: str, share: float) -> Setting:
    def play(sound: Sound, base: Base, ceiling_dbtp: float) -> Sound:
        release_ms = max(2.0, base.release_ms * share)
        return limit(clip(sound, base.clip_db), ceiling_dbtp, release_ms, release_behaviour=behaviour)

    return Setting(name=f"{behaviour}, release x {share:.2g}", play=play)


SETTINGS = (_setting("two_stage", 1.0), _setting("two_stage", 1.0 / 3.0))
