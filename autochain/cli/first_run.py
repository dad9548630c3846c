"""The first run after an installation: compile every loop at once, one half in a second process.

Compiled code is kept on disk by numba, beside the package or, where that is not writable, in the user's cache
folder. Compiling takes one core and holds the interpreter, so threads would not share it; processes do.
"""

import gc
from collections.abc import Callable

import numpy as np

from autochain.chain.chain import DEFAULT, STAGES
from autochain.chain.settings import BUS_COMPRESSOR, CLIPPER, DRIVE, LIMITER, PEAK_COMPRESSOR, TRANSIENT, ChainSettings
from autochain.chain.sidechain import Sidechain, peak_reductions_db
from autochain.cli.first_check import INSPECTION, RATE_HZ, compile_halves, compiles, sound
from autochain.measure._crest_kernels import window_levels
from autochain.measure.crest import CrestReference, local_crest_db
from autochain.measure.distortion import DistortionReference
from autochain.measure.image import BalanceReference
from autochain.measure.movement import gain_movement_db
from autochain.prepare.symmetry import choose_rotation
from autochain.progress import Progress


def compile_first(progress: Progress) -> None:
    """Compile what a search needs, if it has not been compiled yet; otherwise return at once."""
    # A loop that `check` leaves alone.
    if compiles(window_levels, lambda: local_crest_db(sound(), RATE_HZ)):
        compile_halves(__name__, _ONE_HALF, progress)


def _distortion() -> None:
    DistortionReference(sound(), RATE_HZ, -12.0).compare(0.5 * sound())


def _movement() -> None:
    gain_movement_db([np.linspace(0.0, 1.0, 400, dtype=np.float32)], [np.ones(400, dtype=bool)])


def _rotation() -> None:
    heard = sound()
    choose_rotation(heard, RATE_HZ, np.ones(round(heard.shape[0] / RATE_HZ * 100), dtype=bool), 0.01)


def _chain() -> None:
    settings = ChainSettings(
        {
            BUS_COMPRESSOR: {},
            PEAK_COMPRESSOR: {},
            DRIVE: {"gain_db": 9.0},
            CLIPPER: {"ceiling_dbfs": -6.0},
            TRANSIENT: {"onset_db": 1.0},
            LIMITER: {"ceiling_dbtp": -12.0},
        }
    )
    DEFAULT.render(sound(), RATE_HZ, DEFAULT.checked(settings))


def _sidechains() -> None:
    settings = STAGES[PEAK_COMPRESSOR].checked({})
    several = [Sidechain.of(sound(), RATE_HZ, settings)] * 2
    for coarse in (False, True):
        peak_reductions_db(several, settings, RATE_HZ // 10, coarse=coarse)


def _image() -> None:
    BalanceReference(sound(), RATE_HZ).compare(0.5 * sound())


def _crest() -> None:
    CrestReference(sound(), RATE_HZ).compare(0.5 * sound())


_ONE_HALF: tuple[Callable[[], object], ...] = (*INSPECTION, _distortion, _movement, _rotation)
_OTHER_HALF = (_chain, _sidechains, _crest, _image)

if __name__ == "__main__":
    gc.disable()
    for step in _OTHER_HALF:
        step()
