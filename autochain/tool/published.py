"""Times of a compressor or limiter by published definitions, from its model on stepped tones.

- 63 %, 10 to 90 %: of the way of the gain in dB, over a step from 10 dB under the threshold to 12 dB over it.
- 10 dB: time to turn down, and back, by 10 dB (W3C Web Audio, DynamicsCompressorNode), on the largest step.
- ANSI S3.22: a tone of 2 kHz up by 35 dB, until within 3 dB of where the output ends; down, within 4 dB. The standard
  means 55 and 90 dB SPL; here the upper level is full scale.
- IEC 60118-2: 25 dB, within 2 dB both ways; the upper level 12 dB over the threshold, or full scale where that is less.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from autochain.tool.compressor_model import CompressorModel
from autochain.tool.limiter_model import LimiterModel

Floats = npt.NDArray[np.float64]

_RATE_HZ = 48000
_BLOCK = 12  # a quarter of a millisecond: half a period of the tone
_TONE_HZ = 2000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class StepTimes:
    """Times in ms; None where the gain does not move as far."""

    attack_63_ms: float | None
    attack_10_90_ms: float | None
    attack_10_db_ms: float | None
    attack_s322_ms: float | None
    attack_60118_ms: float | None
    release_63_ms: float | None
    release_10_90_ms: float | None
    release_10_db_ms: float | None
    release_s322_ms: float | None
    release_60118_ms: float | None


def step_times(model: CompressorModel | LimiterModel) -> StepTimes:
    """All times of a model."""
    threshold = model.threshold_dbfs if isinstance(model, CompressorModel) else model.ceiling_dbfs
    over = min(threshold + 12.0, 0.0)
    up, down = stepped(model, threshold - 10.0, over)
    up_35, down_35 = stepped(model, -35.0, 0.0)
    up_25, down_25 = stepped(model, over - 25.0, over)
    largest = stepped(model, -60.0, 0.0)
    return StepTimes(
        attack_63_ms=_share(up, 0.632),
        attack_10_90_ms=_between(up),
        attack_10_db_ms=_first_db(largest[0], 10.0),
        attack_s322_ms=_within(up_35, 3.0),
        attack_60118_ms=_within(up_25, 2.0),
        release_63_ms=_share(down, 0.632),
        release_10_90_ms=_between(down),
        release_10_db_ms=_first_db(largest[1], 10.0),
        release_s322_ms=_within(down_35, 4.0),
        release_60118_ms=_within(down_25, 2.0),
    )


def stepped(model: CompressorModel | LimiterModel, low_dbfs: float, high_dbfs: float) -> tuple[Floats, Floats]:
    """Gain in dB every quarter of a millisecond behind a step up, and behind the step down again."""
    seconds = min(6.0, max(0.3, 8e-3 * max(model.release_ms, getattr(model, "attack_ms", 0.0))))
    part = round(seconds * _RATE_HZ / 48) * 48
    wave = np.sin(2.0 * np.pi * _TONE_HZ * np.arange(3 * part) / _RATE_HZ)
    levels = np.repeat([low_dbfs, high_dbfs, low_dbfs], part)
    sound = (wave * 10.0 ** (0.05 * levels))[:, None]
    out = model.process(sound, _RATE_HZ)
    power = (sound[:, 0] ** 2).reshape(-1, _BLOCK).sum(axis=1)
    gains = 20.0 * np.log10((sound[:, 0] * out[:, 0]).reshape(-1, _BLOCK).sum(axis=1) / power)
    blocks = part // _BLOCK
    return gains[blocks : 2 * blocks], gains[2 * blocks :]


def _at(gains: Floats, wanted: npt.NDArray[np.bool_]) -> float | None:
    found = np.flatnonzero(wanted)
    return None if not found.size else 1e3 * (int(found[0]) + 0.5) * _BLOCK / _RATE_HZ


def _way(gains: Floats) -> Floats | None:
    """Share of the way done; None where there is none to speak of."""
    whole = gains[-1] - gains[0]
    return None if abs(whole) < 0.2 else (gains - gains[0]) / whole


def _share(gains: Floats, share: float) -> float | None:
    way = _way(gains)
    return None if way is None else _at(gains, way >= share)


def _between(gains: Floats) -> float | None:
    way = _way(gains)
    if way is None:
        return None
    begin, end = _at(gains, way >= 0.1), _at(gains, way >= 0.9)
    return None if begin is None or end is None else end - begin


def _first_db(gains: Floats, db: float) -> float | None:
    return _at(gains, np.abs(gains - gains[0]) >= db)


def _within(gains: Floats, db: float) -> float | None:
    """Time after which the gain stays within `db` of its end; 0 where it always is."""
    out = np.flatnonzero(np.abs(gains - gains[-1]) > db)
    return 0.0 if not out.size else 1e3 * (int(out[-1]) + 1.0) * _BLOCK / _RATE_HZ
