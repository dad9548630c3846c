"""Edits: steps of gain within a sample, which stand among the clicks until the sound around them is looked at.

`jumps` compares seconds and cannot tell a step of some dB from a new part of the arrangement; at an edit the
waveform itself breaks, so a step of 3 dB shows as a spike, and `gain_step` tells how large it is.
"""

from collections.abc import Iterable

import numpy as np
import numpy.typing as npt

from autochain.audio.mix import Samples
from autochain.measure.around import sound_around
from autochain.measure.clicks import Click
from autochain.measure.gain_step import gain_step_db
from autochain.measure.jumps import Jump

_Doubles = npt.NDArray[np.float64]

_REACH_S = 0.032
_PLACES = (0, 1, -1, 2, -2, 3, -3)  # frames: how far the spike may lie from the edit
_LEAST_DB = 1.5
_MOST_CLICKS = 200  # a sound that is full of clicks is not full of edits
_MOST_AT_TOP = 2  # clicks at the highest level: more are the edges of clipped peaks, and there may be hundreds
_SAME_S = 0.3  # jumps found by their level are known to 0.1 s


def told_apart(
    clicks: tuple[Click, ...], jumps: tuple[Jump, ...], blocks: Iterable[Samples], rate_hz: int
) -> tuple[tuple[Click, ...], tuple[Jump, ...]]:
    """Clicks that are none but edits taken out, and the edits among the jumps, in order of time.

    Parameters
    ----------
    clicks, jumps
        Of the same sound; a jump of which an edit is found within 0.3 s is replaced by it.
    blocks
        The sound once more, block by block; not touched when there are no clicks.
    rate_hz
        Sample rate.

    Returns
    -------
    Clicks, and jumps with steps of 1.5 to 20 dB, known to 0.1 ms.
    """
    at_top = {click for click in clicks if click.at_top}
    clipped = at_top if len(at_top) > _MOST_AT_TOP else set()
    looked_at = [click for click in clicks if click not in clipped]
    if not 0 < len(looked_at) <= _MOST_CLICKS:
        return clicks, jumps
    left, edits = [*clipped], []
    frames = [round(click.at_s * rate_hz) for click in looked_at]
    sounds = sound_around(blocks, frames, round(_REACH_S * rate_hz))
    for click, frame, around in zip(looked_at, frames, sounds, strict=True):
        edit = _edit(around, frame, rate_hz)
        if edit is None:
            left.append(click)
        else:
            edits.append(edit)
    others = [jump for jump in jumps if all(abs(jump.at_s - edit.at_s) > _SAME_S for edit in edits)]
    left.sort(key=lambda click: click.at_s)
    return tuple(left), tuple(sorted([*others, *edits], key=lambda jump: jump.at_s))


def _edit(around: _Doubles, frame: int, rate_hz: int) -> Jump | None:
    middle = around.shape[0] // 2
    for shift in _PLACES:
        steps = [gain_step_db(around[:, channel], rate_hz, middle + shift) for channel in range(around.shape[1])]
        moved = {channel: step for channel, step in enumerate(steps) if step is not None and abs(step) >= _LEAST_DB}
        if moved:
            both = len(moved) == around.shape[1]
            name = "both" if both else ("left", "right")[next(iter(moved))]
            return Jump(at_s=(frame + shift) / rate_hz, step_db=float(np.mean(list(moved.values()))), channels=name)
    return None
