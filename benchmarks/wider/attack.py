"""The limiter's look-ahead, and the attack, which is as long; the base has 3 ms of both.

6 ms, and 1.5 ms of attack with it, lost on each of the first three recordings and were left out."""

from wider.sound import Base, Setting, Sound, clip, limit


def _setting(lookahead_ms: float, attack_ms: float) -> Setting:
    def play(sound: Sound, base: Base, ceiling_dbtp: float) -> Sound:
        times = {"lookahead_ms": lookahead_ms, "attack_ms": attack_ms}
        return limit(clip(sound, base.clip_db), ceiling_dbtp, base.release_ms, **times)

    return Setting(name=f"look-ahead {lookahead_ms:g} ms, attack {attack_ms:g} ms", play=play)


SETTINGS = tuple(_setting(*times) for times in ((1.0, 1.0), (0.5, 0.5)))
