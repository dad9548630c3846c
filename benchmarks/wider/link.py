"""Less link between the limiter's channels; the base has 100 %."""

from wider.sound import Base, Setting, Sound, clip, limit


def _setting(link_percent: float) -> Setting:
    def play(sound: Sound, base: Base, ceiling_dbtp: float) -> Sound:
        return limit(clip(sound, base.clip_db), ceiling_dbtp, base.release_ms, link_percent=link_percent)

    return Setting(name=f"link {link_percent:g} %", play=play)


SETTINGS = tuple(_setting(link_percent) for link_percent in (50.0, 0.0))
