"""Tools unlike ours: each reads the settings on a sheet in one other way that is in use.

A stranger is a map from our settings to settings under which our stages do what it does. Those that no sheet has
(`release_behaviour` in dB, a clipper's `curve`) are told by the stage's own file.

Sources:

- 90 % times. A one-pole is 63.2 % there after its time constant (D. Giannoulis, M. Massberg, J. D. Reiss, J. Audio Eng.
  Soc. 60(6), 2012, equation 7; number from memory) and 90 % after ln 10 = 2.303 of it (closed form). ANSI S3.22 and
  IEC 60118-2, which wait for the last 2 to 4 dB of a step of 25 to 35 dB, lie near: 1.5 to 2.5 time constants.
- 10 dB times. W3C Web Audio API, DynamicsCompressorNode: the time in which the gain changes by 10 dB, which a release
  straight in dB has at any depth.
- rms. Root of the mean square, 3.01 dB under the peak of a sine (closed form).
- Curves of clippers. tanh x; and x - 4/27 x^3, the cubic that reaches 1 with slope 0 (at x = 3/2; closed form).
- A peak between samples lies over the higher of them by any amount; ITU-R BS.1770-5, Annex 2, has four-fold
  oversampling to read it. A limiter that reads samples lets it pass.
- Ceilings that a tool holds 0.1 dB lower than it says: common practice, no source.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

from autochain.chain import clipper
from autochain.chain.gain_control import FALLS_STRAIGHT, FOLLOWS, HOLDS, PEAK_LEVEL, RMS_LEVEL
from autochain.chain.limiter import SAMPLE_PEAK
from autochain.chain.limiter_release import IN_DB, STRAIGHT
from autochain.chain.settings import CLIPPER, LIMITER, ChainSettings
from autochain.config.coordinates import COMPRESSORS

NINETY_PERCENT = math.log(10.0)  # time constants until a one-pole has gone 90 % of a step
_LOWER_DB = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Stranger:
    """One other way to read a sheet.

    Attributes
    ----------
    name
        In the JSON sheet.
    words
        What it is, for a reader.
    read
        Our settings to those under which our stages do what it does; the same settings where it does as ours.
    """

    name: str
    words: str
    read: Callable[[ChainSettings], ChainSettings]


def _rms(settings: ChainSettings) -> ChainSettings:
    return _turned(settings, "detector", PEAK_LEVEL, RMS_LEVEL)


def _follows(settings: ChainSettings) -> ChainSettings:
    return _turned(settings, "release_shape", HOLDS, FOLLOWS)


def _turned(settings: ChainSettings, choice: str, one: str, other: str) -> ChainSettings:
    """Every compressor set to the one of two words that it is not set to."""
    for name in COMPRESSORS:
        if name in settings:
            settings = settings.with_(name, {choice: other if settings[name].word(choice) == one else one})
    return settings


def _ninety_percent(settings: ChainSettings) -> ChainSettings:
    for name in COMPRESSORS:
        if name in settings:
            own = settings[name]
            times = {time: own[time] / NINETY_PERCENT for time in ("attack_ms", "release_ms")}
            settings = settings.with_(name, times)
    # The limiter's attack is a ramp and no one-pole.
    return settings.with_(LIMITER, release_ms=settings[LIMITER]["release_ms"] / NINETY_PERCENT)


def _in_db(settings: ChainSettings) -> ChainSettings:
    return settings.with_(LIMITER, release_behaviour=IN_DB)


def _straight(settings: ChainSettings) -> ChainSettings:
    for name in COMPRESSORS:
        if name in settings:
            settings = settings.with_(name, release_shape=FALLS_STRAIGHT)
    return settings.with_(LIMITER, release_behaviour=STRAIGHT)


def _sample_peak(settings: ChainSettings) -> ChainSettings:
    return settings.with_(LIMITER, detector=SAMPLE_PEAK)


def _hard(settings: ChainSettings) -> ChainSettings:
    return settings.with_(CLIPPER, softness=0.0) if CLIPPER in settings else settings


def _tanh(settings: ChainSettings) -> ChainSettings:
    return _bent(settings, clipper.TANH)


def _cubic(settings: ChainSettings) -> ChainSettings:
    return _bent(settings, clipper.CUBIC)


def _bent(settings: ChainSettings, curve: str) -> ChainSettings:
    # Without softness every curve is the hard clip.
    bends = CLIPPER in settings and settings[CLIPPER]["softness"] > 0.0
    return settings.with_(CLIPPER, curve=curve) if bends else settings


def _lower(settings: ChainSettings) -> ChainSettings:
    for name, ceiling in ((CLIPPER, "ceiling_dbfs"), (LIMITER, "ceiling_dbtp")):
        if name in settings:
            settings = settings.with_(name, {ceiling: settings[name][ceiling] - _LOWER_DB})
    return settings


STRANGERS = (
    Stranger(name="times_90_percent", words="times that run until 90 % of a change", read=_ninety_percent),
    Stranger(name="release_in_db", words="a limiter that gives back in dB", read=_in_db),
    Stranger(name="release_straight", words="a release that gives 10 dB back in its time", read=_straight),
    Stranger(name="sample_peaks", words="a limiter that reads samples alone", read=_sample_peak),
    Stranger(name="hard_clip", words="a clipper without softness", read=_hard),
    Stranger(name="tanh_clip", words="a clipper with a tanh curve", read=_tanh),
    Stranger(name="cubic_clip", words="a clipper with a cubic curve", read=_cubic),
    Stranger(name="rms_detector", words="compressors that read rms", read=_rms),
    Stranger(name="release_follows", words="compressors that give back at once", read=_follows),
    Stranger(name="lower_ceilings", words="ceilings 0.1 dB lower", read=_lower),
)
# Those that a search asks: on odd recordings they choose as all of them do, and the dearest of all is among them.
ASKED = tuple(
    stranger
    for stranger in STRANGERS
    if stranger.name in ("release_straight", "hard_clip", "release_follows", "lower_ceilings")
)
