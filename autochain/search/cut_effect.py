"""Whether a small cut helps: the mix is rendered with it and measured again."""

from dataclasses import dataclass

import numpy as np

from autochain.audio.mix import Mix
from autochain.audio.room import in_blocks
from autochain.chain.chain import STAGES
from autochain.chain.settings import DYNAMIC_BELL, EQUALISER
from autochain.measure.resonance import CHANNEL_VIEWS, ResonanceMap, ResonanceMeter
from autochain.prepare.corrective import Correction, bands

# Limits of this project. The map sees a twelfth of an octave at once and reads a bell of q 12 a third low; a cut that
# works part of the time shows in the average by that part.
_LEAST_SHARE = 0.4  # of the cut
_MOST_ELSEWHERE_DB = 0.1
_NEAR_OCTAVES = 1 / 8


@dataclass(frozen=True, slots=True, kw_only=True)
class CutEffect:
    """What a cut does.

    Attributes
    ----------
    excess_change_db
        How the excess at its place changes, on average over the song; below 0 where it falls.
    elsewhere_db
        The most by which the level between the notes moves an octave away and further.
    helps
        Whether the excess falls by a fair part of the cut and nothing else moves.
    """

    excess_change_db: float
    elsewhere_db: float
    helps: bool


def effect_of(mix: Mix, correction: Correction, before: ResonanceMap) -> CutEffect:
    """Render a cut over the whole mix and measure it again.

    Parameters
    ----------
    mix
        The mix.
    correction
        The cut, more than 0 dB.
    before
        Resonance map of the mix.
    """
    what = correction.resonance
    stage = STAGES[EQUALISER if correction.threshold_db is None else DYNAMIC_BELL]
    settings = stage.checked(bands([correction.settings]))
    runner, meter = stage.start(mix.rate_hz, mix.channels, settings), ResonanceMeter(mix.rate_hz, mix.channels)
    for block in in_blocks(mix.samples):  # the cut song is never held
        meter.push(runner.push(block))
    meter.push(runner.finish())
    after = meter.result()
    lane = 0 if what.channel == "stereo" else CHANNEL_VIEWS.index(what.channel)
    if before.floor_db.shape[1] == 1:
        lane = 0
    octaves = np.abs(np.log2(before.freq_hz / what.freq_hz))
    near = octaves <= _NEAR_OCTAVES
    top = int(np.argmax(np.where(near, before.standing_db()[lane], -np.inf)))
    change_db = float(after.standing_db()[lane, top] - before.standing_db()[lane, top])
    moved = np.abs(after.level_db() - before.level_db())[:, octaves >= 1.0]
    elsewhere_db = float(moved.max(initial=0.0))
    enough_db = _LEAST_SHARE * correction.cut_db * what.share
    return CutEffect(
        excess_change_db=change_db,
        elsewhere_db=elsewhere_db,
        helps=-change_db >= enough_db and elsewhere_db <= _MOST_ELSEWHERE_DB,
    )
