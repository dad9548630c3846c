"""Edits: steps of gain within a sample, which stand among the clicks until the sound around them is looked at.

`jumps` compares seconds and cannot tell a step of some dB from a new part of the arrangement; at an edit the
waveform itself breaks, so a step of 3 dB shows as a spike, and `gain_step` tells how large it is.

One part of a song may step too, as a note that is cut off by the next one does. So the level has to follow, at once
and over seconds: else the step is of one part, and neither a click nor a jump of the mix.
"""

from collections.abc import Iterable

import numpy as np
import numpy.typing as npt

from autochain.audio.mix import Samples
from autochain.measure.clicks import Click
from autochain.measure.gain_step import gain_step_db
from autochain.measure.jumps import BandLevels, Jump, find_jumps
from autochain.measure.stream import sound_around

_Doubles = npt.NDArray[np.float64]

_REACH_S = 0.032
_PLACES = (0, 1, -1, 2, -2, 3, -3)  # frames: how far the spike may lie from the edit
_LEAST_DB = 1.5
_MOST_CLICKS = 200  # a sound that is full of clicks is not full of edits
_MOST_AT_TOP = 2  # clicks at the highest level: more are the edges of clipped peaks, and there may be hundreds
_SILENCE = 1e-14
_SAME_S = 0.3  # jumps found by their level are known to 0.1 s
# Least shares of the step that the level moves by within 30 ms, and over 1, 2 or 4 s, whichever is nearest to it: the
# music moves too. Chosen on 15 recordings: of 40 steps of both channels one is lost, and the four steps of one part go.
_AT_ONCE, _HOLDS = 0.2, 0.5
# A step that is the same in every channel and that all follow at once, by half of it and more, need not hold: in
# the second after it the music may do what it likes. None of the four steps of one part comes near.
_ALIKE_DB, _FOLLOWS = 0.3, 0.5


def separate_edits(
    clicks: tuple[Click, ...], levels: BandLevels, blocks: Iterable[Samples], rate_hz: int
) -> tuple[tuple[Click, ...], tuple[Jump, ...]]:
    """Clicks that are none but edits taken out, and all jumps, in order of time.

    Parameters
    ----------
    clicks, levels
        Of the same sound; a jump found in the levels, of which an edit is found within 0.3 s, is replaced by it.
    blocks
        The sound once more, block by block; not touched when there are no clicks.
    rate_hz
        Sample rate.

    Returns
    -------
    Clicks, and jumps with steps of 1.5 to 20 dB, known to 0.1 ms.
    """
    jumps = find_jumps(levels)
    at_top = {click for click in clicks if click.at_top}
    clipped = at_top if len(at_top) > _MOST_AT_TOP else set()
    looked_at = [click for click in clicks if click not in clipped]
    if not 0 < len(looked_at) <= _MOST_CLICKS:
        return clicks, jumps
    left, edits = [*clipped], []
    frames = [round(click.at_s * rate_hz) for click in looked_at]
    sounds = sound_around(blocks, frames, round(_REACH_S * rate_hz))
    for click, frame, around in zip(looked_at, frames, sounds, strict=True):
        found = _step(around, rate_hz)
        if found is None:
            left.append(click)
            continue
        shift, steps = found
        edit = _edit(steps, (frame + shift) / rate_hz, levels, _rises_db(around, shift))
        if edit is not None:
            edits.append(edit)
    others = [jump for jump in jumps if all(abs(jump.at_s - edit.at_s) > _SAME_S for edit in edits)]
    left.sort(key=lambda click: click.at_s)
    return tuple(left), tuple(sorted([*others, *edits], key=lambda jump: jump.at_s))


def _step(around: _Doubles, rate_hz: int) -> tuple[int, dict[int, float]] | None:
    """How far from the middle the waveform steps, and by how many dB in which channels."""
    middle = around.shape[0] // 2
    for shift in _PLACES:
        steps = [gain_step_db(around[:, channel], rate_hz, middle + shift) for channel in range(around.shape[1])]
        moved = {channel: step for channel, step in enumerate(steps) if step is not None and abs(step) >= _LEAST_DB}
        if moved:
            return shift, moved
    return None


def _rises_db(around: _Doubles, shift: int) -> _Doubles:
    """How much louder every channel is over the 30 ms after a step than before it, shape (channels,)."""
    middle = around.shape[0] // 2 + shift
    power = [np.maximum(np.mean(part**2, axis=0), _SILENCE) for part in (around[:middle], around[middle:])]
    return np.asarray(10.0 * np.log10(power[1] / power[0]))


def _edit(steps: dict[int, float], at_s: float, levels: BandLevels, rises_db: _Doubles) -> Jump | None:
    """The step as a jump of the mix; None where the level does not follow."""
    step_db = float(np.mean(list(steps.values())))
    held = levels.steps_db(at_s) / step_db
    channels, holds = sorted(steps), held[:, sorted(steps)].mean(axis=1).max()
    if len(channels) < held.shape[1]:
        apart = held[:, channels[0]] - held[:, 1 - channels[0]]
        if apart[:2].mean() > _HOLDS:
            holds = max(holds, apart.max())
        else:  # the balance stays: in the other channel noise of its own hides the step
            channels, holds = [0, 1], held.mean(axis=1).max()
    follows = rises_db / step_db
    whole = len(steps) == rises_db.size and max(steps.values()) - min(steps.values()) <= _ALIKE_DB
    if not (whole and follows.min() >= _FOLLOWS) and (follows[channels].max() < _AT_ONCE or holds < _HOLDS):
        return None
    name = "both" if len(channels) == rises_db.size > 1 else ("left", "right")[channels[0]]
    return Jump(at_s=at_s, step_db=step_db, channels=name, within_a_sample=True)
