"""A demo mix from nothing but a name, a sample rate, a length and a seed."""

import math
from collections.abc import Callable, Mapping

import numpy as np
import numpy.typing as npt

from autochain.demo.desk import MixingDesk, band_limit, hold_together, room
from autochain.demo.form import plan_form
from autochain.demo.loud_line_ups import bass_heavy_electronic, brass_led_asymmetric, dense_rock
from autochain.demo.quiet_line_ups import sparse_acoustic, vocal_with_piano
from autochain.demo.scenario import demo_song, read_scenario
from autochain.demo.session import Session
from autochain.demo.tones import Buffer
from autochain.errors import UsageError
from autochain.measure.loudness import integrated_lufs, weighted_hops
from autochain.measure.true_peak import annex2_dbtp
from autochain.units import db_to_linear

# Who plays each character.
_LINE_UPS: Mapping[str, Callable[[Session], None]] = {
    "dense_rock": dense_rock,
    "bass_heavy_electronic": bass_heavy_electronic,
    "brass_led_asymmetric": brass_led_asymmetric,
    "vocal_with_piano": vocal_with_piano,
    "sparse_acoustic": sparse_acoustic,
}
_SHORTEST_S = 10.0
_FADE_S = 1.5
# Seeds differ in how their peaks coincide. A mix engineer whose sum peaks too high compresses the tracks once
# more; the bus itself stays untouched. 0.4 dB of room for the differences between true-peak meters.
_HIGHEST_PEAK_DBTP = -1.4
_ATTEMPTS = 8


def make_demo(
    character: str = "dense_rock", rate_hz: int = 44100, duration_s: float = 60.0, seed: int = 1
) -> npt.NDArray[np.float32]:
    """Synthesise one demo mix as a mix engineer would hand it over: -15 LUFS, nothing limited or clipped.

    Same arguments, same bytes on the same machine. The seed changes melodies, timing and noises, not the
    arrangement.

    Parameters
    ----------
    character
        One of `autochain.demo.CHARACTERS`.
    rate_hz
        44100 to 192000; everything is made at this rate and stays under 18 kHz.
    duration_s
        10 s or more; the form keeps its proportions.
    seed
        0 or more.

    Returns
    -------
    float32, shape (frames, 2), full scale +-1.0.

    Raises
    ------
    UsageError
        If an argument is outside these ranges.
    """
    song = demo_song(character)
    if not 44100 <= rate_hz <= 192000:
        raise UsageError(f"demo: rate_hz is {rate_hz}; it must be 44100 to 192000.")
    if not (math.isfinite(duration_s) and duration_s >= _SHORTEST_S):
        raise UsageError(f"demo: duration_s is {duration_s}; it must be 10 s or more.")
    if seed < 0:
        raise UsageError(f"demo: seed is {seed}; it must be 0 or more.")

    desk = MixingDesk(rate_hz, round(duration_s * rate_hz))
    _LINE_UPS[character](Session(song, plan_form(song, duration_s), desk, seed))

    wet = room(desk.send, rate_hz, seed, song.decay_s)
    wet *= np.float32(db_to_linear(song.return_db))
    stems = {**desk.stems, "room": wet}
    for attempt in range(_ATTEMPTS):
        last = attempt == _ATTEMPTS - 1
        mix: Buffer = np.asarray(sum(stems.values()), dtype=np.float32)
        mix *= _to_level(mix, rate_hz)
        # The desk's filters move peaks a little and take time, so they come in only when the sum is right.
        if last or _peak_dbtp(mix) <= _HIGHEST_PEAK_DBTP:
            mix = band_limit(mix, rate_hz)
            _fade_out(mix, rate_hz)
            mix *= _to_level(mix, rate_hz)
            if last or _peak_dbtp(mix) <= _HIGHEST_PEAK_DBTP:
                break
        for name, stem in stems.items():
            hold_together(name, stem, rate_hz)
    return mix


def _fade_out(mix: Buffer, rate_hz: int) -> None:
    """Squared raised-cosine fade of the last seconds, in place."""
    fade = round(_FADE_S * rate_hz)
    ramp = (0.5 + 0.5 * np.cos(np.pi * np.arange(1, fade + 1) / fade)) ** 2
    mix[-fade:] *= ramp.astype(np.float32)[:, None]


def _peak_dbtp(mix: Buffer) -> float:
    peak = annex2_dbtp(mix)
    assert peak is not None  # every line-up sounds
    return peak


def _to_level(mix: Buffer, rate_hz: int) -> np.float32:
    """Gain that brings a sum to the loudness at which mixes are handed over."""
    lufs = integrated_lufs(weighted_hops(mix, rate_hz))
    assert lufs is not None  # every line-up sounds
    return np.float32(db_to_linear(read_scenario().mix_lufs - lufs))
