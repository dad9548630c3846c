"""Silence to cut at both ends of a song, and fades: in before the first attack, out once the last tail has died away.

Where the sound begins and ends is read from the loudest sample of every millisecond. An attack is the first
millisecond within 40 dB of the song's peak; the tail has died away where the level stays 60 dB under the song's peak
(the decay by which ISO 3382-1 defines reverberation time, here against the peak) or at the noise that runs to the end.
A fade is proposed only where there is something to fade: noise before the attack, or behind the tail. How long
(common practice, no source): 5 to 20 ms at the head, up to 2 s at the tail.

What is cut must be no quiet intro and no tail. So silence is less here than for a fade; the figures are limits of this
project. It is what stays 110 dB under the song's peak: raised by 14 dB it is still under the step of 16 bits. Or it is
noise that runs to the end of the file: no block of 10 ms is over twice the level at that end, which itself is silence
by `measure.head_and_tail`, and both halves are as loud within 1.5 dB; a rise or a fall through these 6 dB differs by
3 dB between its halves. Of noise, as much stays as the fade is long.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from autochain.audio.mix import Samples
from autochain.audio.room import pages_back
from autochain.measure.head_and_tail import SILENCE_UNDER_PEAK_DB

_ATTACK_DB = 40.0
_DECAY_DB = 60.0
_NOISE_S = 0.1  # the last part, whose level is taken for the noise
_OVER_NOISE_DB = 3.0
_DELIBERATE_DB = 20.0  # a stop nearer to the peak is an ending, not a tail that was cut
_SILENCE = 2.0**-23  # half a step of 24 bits and less: nothing to fade
_NOTHING_DB = 110.0
_STOPS_DB = 90.0
_BLOCK_MS = 10
_LEVELS_AT_ONCE = 1000
_NOISE_SPREAD = 2.0
_NOISE_HALVES_DB = 1.5
_SHORTEST_IN_MS, _LONGEST_IN_MS = 5, 20
_SHORTEST_OUT_MS, _LONGEST_OUT_MS = 20, 2000


@dataclass(frozen=True, slots=True, kw_only=True)
class SilenceAndFades:
    """Where a song begins and ends.

    Attributes
    ----------
    attack_s
        Mix time of the first attack.
    decayed_s
        Mix time from which the last tail has died away; the length of the mix when it has not.
    head_cut_ms, tail_cut_ms
        Whole milliseconds of silence at either end that may go.
    fade_in_ms, fade_out_ms
        Whole milliseconds; 0 where no fade is called for.
    cut_off_db
        Level at the very end in dB under the peak when the mix stops before the tail has died away; None otherwise,
        and within 20 dB of the peak: a stop at full level is meant.
    """

    attack_s: float
    decayed_s: float
    head_cut_ms: int
    tail_cut_ms: int
    fade_in_ms: int
    fade_out_ms: int
    cut_off_db: float | None

    @property
    def settings(self) -> dict[str, float]:
        """What the output stage has to be set to; empty where nothing is cut or faded."""
        names = ("head_cut_ms", "tail_cut_ms", "fade_in_ms", "fade_out_ms")
        return {name: float(value) for name in names if (value := getattr(self, name)) > 0}


def find_silence_and_fades(samples: Samples, rate_hz: int) -> SilenceAndFades | None:
    """Read the ends of a song, shape (frames, channels); None for silence."""
    frames = samples.shape[0]
    levels = _levels(samples, rate_hz)
    peak = float(levels.max()) if levels.size else 0.0
    if peak <= _SILENCE:
        return None
    attack_ms = int(np.argmax(levels >= peak * 10.0 ** (-_ATTACK_DB / 20.0)))
    last = levels[-round(_NOISE_S * 1000.0) :]
    noise = float(np.median(last)) * 10.0 ** (_OVER_NOISE_DB / 20.0)
    dying = peak * 10.0 ** (-_DECAY_DB / 20.0)
    floor = max(dying, noise) if noise < peak * 10.0 ** (-_ATTACK_DB / 20.0) and _steady(last) else dying
    decayed_ms = int(np.flatnonzero(levels > floor)[-1]) + 1
    cut_off = decayed_ms >= levels.size - 1
    head = _silence_ms(levels, peak, _LONGEST_IN_MS)
    tail = _silence_ms(levels[::-1], peak, _LONGEST_OUT_MS)
    before, behind = levels[head:attack_ms], levels[decayed_ms : levels.size - tail]
    # Sound that rises out of what is cut, or dies away into it, needs no fade; one that stops there does.
    step = peak * 10.0 ** (-_STOPS_DB / 20.0)
    if head:  # an attack that takes a few milliseconds is no noise before it
        steps_in = before.size > _BLOCK_MS and before[:_SHORTEST_IN_MS].max() > step
    else:
        steps_in = before.max(initial=0.0) > _SILENCE
    steps_out = behind[-_SHORTEST_OUT_MS:].max(initial=0.0) > (step if tail else _SILENCE)
    fade_in = min(_LONGEST_IN_MS, before.size) if steps_in else 0
    fade_out = min(_LONGEST_OUT_MS, behind.size) if steps_out else 0
    end_db = 20.0 * float(np.log10(peak / max(float(last[-10:].max()), _SILENCE)))
    return SilenceAndFades(
        attack_s=attack_ms / 1000.0,
        decayed_s=frames / rate_hz if cut_off else decayed_ms / 1000.0,
        head_cut_ms=head,
        tail_cut_ms=tail,
        fade_in_ms=fade_in if fade_in >= _SHORTEST_IN_MS else 0,
        fade_out_ms=fade_out if fade_out >= _SHORTEST_OUT_MS and not cut_off else 0,
        cut_off_db=end_db if cut_off and end_db > _DELIBERATE_DB else None,
    )


def _silence_ms(levels: npt.NDArray[np.float64], peak: float, fade_ms: int) -> int:
    """Silence at the start of `levels`, one a millisecond; of noise, the length of its fade stays."""
    nothing = int(np.argmax(levels > peak * 10.0 ** (-_NOTHING_DB / 20.0)))
    blocks = levels[: levels.size // _BLOCK_MS * _BLOCK_MS].reshape(-1, _BLOCK_MS).max(axis=1)
    most = _NOISE_SPREAD * float(np.median(blocks[: round(_NOISE_S * 1000.0) // _BLOCK_MS]))
    steady = blocks[: int(np.argmax(blocks > most))]
    cut_ms = steady.size * _BLOCK_MS - fade_ms
    if cut_ms <= nothing or most > peak * 10.0 ** (-SILENCE_UNDER_PEAK_DB / 20.0):
        return nothing
    half = steady.size // 2
    low, high = sorted((float(np.median(steady[:half])), float(np.median(steady[half:]))))
    return cut_ms if high < low * 10.0 ** (_NOISE_HALVES_DB / 20.0) else nothing


def _steady(last: npt.NDArray[np.float64]) -> bool:
    """Whether the end is noise: its second half is as loud as its first, within 2 dB; a tail falls."""
    half = last.size // 2
    first, second = float(np.median(last[:half])), float(np.median(last[half:]))
    return second > 0.0 and first < 1.26 * second


def _levels(samples: Samples, rate_hz: int) -> npt.NDArray[np.float64]:
    """Largest magnitude of every whole or last millisecond."""
    starts = np.round(np.arange(0.0, samples.shape[0], rate_hz / 1000.0)).astype(np.int64)
    starts = starts[starts < samples.shape[0]]
    if not starts.size:
        return np.zeros(0)
    levels = np.empty(starts.size)
    for first in range(0, starts.size, _LEVELS_AT_ONCE):  # a part that stays in cache
        own = starts[first : first + _LEVELS_AT_ONCE]
        end = starts[first + own.size] if first + own.size < starts.size else samples.shape[0]
        # All channels in one row: numpy is five times slower over an axis of two.
        flat = np.abs(samples[own[0] : end]).reshape(-1)
        levels[first : first + own.size] = np.maximum.reduceat(flat, (own - own[0]) * samples.shape[1])
        pages_back()
    return levels
