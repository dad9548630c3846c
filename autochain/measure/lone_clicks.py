"""Clicks that are none of the music: laid over a sound that goes on, not one of many alike, and to be heard.

Limits found on 15 recordings of all kinds and on clicks of one to four samples put into them.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from autochain.audio.mix import Samples
from autochain.measure.audible import ShortMask
from autochain.measure.clicks import Click
from autochain.measure.pulse import REACH_S, find_pulse
from autochain.measure.stream import sound_around

_Doubles = npt.NDArray[np.float64]

_STANDS_OUT = 4.0  # over what is left within 8 ms
# From before to after. The more it changes, the likelier it is the start of a sound or its end, and the further it has
# to stand out: ten times as far for every 10 dB more.
_CHANGES_DB = 3.0
_LEAST = 1e-3  # -60 dBFS. common practice, no source
_LEAST_OVER_MASK_DB = -10.0  # in one band; a click lies in all of them, and the ear may add up what they hold
# One that stands out so far is a click beyond doubt, and a master may uncover it.
_PLAIN, _LEAST_PLAIN_DB = 12.0, -20.0
# Places that a song repeats, click and all, belong to its sounds: the edge of a pulse wave or of a sample that is cut.
_ALIKE = 0.9  # correlation of the slopes of the 5 ms on either side, the click taken out
_ALIKE_S = 0.005
_ALIKE_HEIGHT = 1.4  # ratio of their heights, at most
_WITNESS = 2.0  # stands out by this, to be what a click is alike to
_MOST = 400  # looked at, the highest of them: 3 ms each
_SAME_S = 0.005


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Seen:
    click: Click
    told: bool
    height: float
    context: _Doubles


def lone_clicks(
    candidates: Sequence[Click], blocks: Iterable[Samples], rate_hz: int, sine_db_spl: float
) -> tuple[Click, ...]:
    """Those of the candidates that are clicks of one to four samples, in order of time.

    A click stands 12 dB over all that is left near it once it is taken out, and the sound behind it is as the sound
    before it: the start of a note or drum is not. Not told are clicks under -60 dBFS; those more than 10 dB under the
    mask of the sound around them (20 dB for what stands out 12 times); and those in surroundings that come back, click
    and all. Pulses of more than four samples, and cuts from one sound to another, are not told either.

    Parameters
    ----------
    candidates
        Of `find_clicks` and `find_pulses`; those within 5 ms of each other are one.
    blocks
        The sound once more, block by block; not touched when there are no candidates.
    rate_hz
        Sample rate.
    sine_db_spl
        Level that a full-scale 1 kHz sine stands for, as `ear_model.full_scale_sine_db_spl`.
    """
    looked_at = sorted(sorted(candidates, key=lambda click: (-click.height_db, click.at_s))[:_MOST], key=_at_s)
    if not looked_at:
        return ()
    mask = ShortMask(rate_hz, sine_db_spl)
    frames = [round(click.at_s * rate_hz) for click in looked_at]
    around = sound_around(blocks, frames, round(REACH_S * rate_hz))
    seen = [
        one
        for click, sound in zip(looked_at, around, strict=True)
        if (one := _look(click, sound, mask, rate_hz)) is not None
    ]
    once: list[_Seen] = []
    for one in seen:
        if once and one.click.at_s - once[-1].click.at_s < _SAME_S:
            if one.told and not once[-1].told:
                once[-1] = one
        else:
            once.append(one)
    contexts, heights = np.array([one.context for one in once]), np.array([one.height for one in once])
    return tuple(one.click for one in once if one.told and not _comes_back(one, contexts, heights))


def _comes_back(one: _Seen, contexts: _Doubles, heights: _Doubles) -> bool:
    """Whether another one stands in like surroundings, as high, and of like polarity against them."""
    alike = contexts @ one.context
    ratio = np.sign(alike) * heights / one.height
    return bool(np.sum((np.abs(alike) > _ALIKE) & (ratio < _ALIKE_HEIGHT) & (ratio > 1.0 / _ALIKE_HEIGHT)) > 1)


def _least_out(changes_db: float) -> float:
    return float(_STANDS_OUT * 10.0 ** (max(0.0, abs(changes_db) - _CHANGES_DB) / 10.0))


def _at_s(click: Click) -> float:
    return click.at_s


def _look(click: Click, sound: _Doubles, mask: ShortMask, rate_hz: int) -> _Seen | None:
    """What stands there, and whether it is a click; None where nothing stands out at all."""
    channels = [np.ascontiguousarray(sound[:, channel]) for channel in range(sound.shape[1])]
    pulses = {k: pulse for k, one in enumerate(channels) if (pulse := find_pulse(one, rate_hz)) is not None}
    over = {
        k: mask.over_mask_db(channels[k] - pulse.without, pulse.without)
        for k, pulse in pulses.items()
        if pulse.stands_out >= _least_out(pulse.changes_db) and pulse.height >= _LEAST
    }
    least_db = {k: _LEAST_PLAIN_DB if pulses[k].stands_out >= _PLAIN else _LEAST_OVER_MASK_DB for k in over}
    heard = {k: db for k, db in over.items() if db >= least_db[k]}
    standing = {k: pulse for k, pulse in pulses.items() if pulse.stands_out >= _WITNESS}
    if not standing:
        return None
    highest = max(standing.values(), key=lambda pulse: pulse.height)
    place = highest.start + int(np.abs(highest.shape).argmax())
    if heard:
        click = replace(
            click,
            at_s=(round(click.at_s * rate_hz) + place) / rate_hz,
            channels="both" if len(heard) > 1 else ("left", "right")[next(iter(heard))],
            over_mask_db=max(heard.values()),
            stands_out=max(pulses[k].stands_out for k in heard),
        )
    at, reach = sound.shape[0] // 2 + place, round(_ALIKE_S * rate_hz)
    rest = [pulses[k].without if k in pulses else one for k, one in enumerate(channels)]
    slopes = np.concatenate([np.diff(one[at - reach : at + reach]) for one in rest])
    return _Seen(
        click=click,
        told=bool(heard),
        height=float(highest.shape[place - highest.start]),
        context=slopes / max(float(np.linalg.norm(slopes)), 1e-30),
    )
