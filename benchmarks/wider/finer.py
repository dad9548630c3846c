"""No widening at all: more settings of the plain chain, since the best of more tries is better in any case."""

from wider.sound import Base, Setting, Sound, plain


def _setting(name: str, release: float, clip_db: float) -> Setting:
    def play(sound: Sound, base: Base, ceiling_dbtp: float) -> Sound:
        moved = Base(release_ms=max(2.0, base.release_ms * release), clip_db=abs(base.clip_db + clip_db))
        return plain(sound, moved, ceiling_dbtp)

    return Setting(name=name, play=play)


SETTINGS = (
    _setting("release x 0.6", 0.6, 0.0),
    _setting("release x 0.33", 1.0 / 3.0, 0.0),
    _setting("clip 1 dB more", 1.0, 1.0),
)
