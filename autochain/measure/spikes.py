"""What every millisecond of a mix holds: how far it reaches, and how large a spike stands in it.

Clicks and drop-outs are found in these few numbers. A spike is what the sound on both sides does not explain: with
a(k) the coefficients of a short linear prediction (autocorrelation method, Levinson-Durbin recursion; Makhoul,
"Linear Prediction: A Tutorial Review", Proc. IEEE 63, 1975), the prediction error of the sound is filtered by the
same coefficients turned round,

    e(n) = sum_k a(k) x(n - k),    s(n) = sum_k a(k) e(n + k) / sum_k a(k)^2,

which for one odd sample in a Gaussian autoregressive sound is the least-squares estimate of its height (Godsill and
Rayner, "Digital Audio Restoration", 1998, chapter 5, from memory): where a sound has little near half its rate, as
nearly every mix has, a click 30 dB under the peaks stands far out of it. A pulse h(0) to h(3) of four samples is
estimated the same way, by sum_j h(j) s'(n + j) with s' the sum above before it is divided, over the energy of a * h:
a raised cosine, which finds pulses of three to six samples where the sound reaches up to half its rate.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from autochain.audio.mix import Samples
from autochain.measure._spikes_kernels import spikes
from autochain.measure.stream import WholeUnits

ORDER = 24
_CELLS = 16  # of a block that shares one prediction, which is made from twice its length

_Singles = npt.NDArray[np.float32]
_Places = npt.NDArray[np.int16]
_Rows = tuple[npt.NDArray[Any], ...]  # peak, spike, place, pulse, its place


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SpikeCells:
    """Cells of about 1 ms, shape (cells, channels) each; the signal's last cell is filled up with silence.

    Attributes
    ----------
    rate_hz
        Sample rate.
    cell
        Frames of a cell.
    peak
        Largest |x|, full scale 1.0.
    spike
        Height of the largest spike, full scale 1.0.
    place
        Frame of that spike within its cell.
    pulse
        Peak of the largest pulse of four samples, full scale 1.0.
    pulse_place
        Frame within its cell at which that pulse begins.
    """

    rate_hz: int
    cell: int
    peak: _Singles
    spike: _Singles
    place: _Places
    pulse: _Singles
    pulse_place: _Places

    def time_s(self, index: int) -> float:
        """Mix time at which a cell begins, in s."""
        return index * self.cell / self.rate_hz


class SpikeMeter:
    """Collects `SpikeCells` from blocks of any size; the size does not change a bit of the result.

    Memory grows by 16 bytes per channel and ms.

    Parameters
    ----------
    rate_hz
        44100 to 192000.
    channels
        1 or 2.
    """

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._rate_hz, self._channels = rate_hz, channels
        self._cell = round(rate_hz / 1000)
        self._block = _CELLS * self._cell
        window = np.sin(np.pi * (np.arange(2 * self._block) + 0.5) / (2 * self._block)) ** 2
        self._scratch = (
            self._cell, window, np.zeros(window.size + ORDER + 1), np.empty(self._block + ORDER + 3),
            np.empty(self._block + 3), np.empty(ORDER + 1), np.empty(ORDER + 1), np.empty(ORDER + 1),
        )  # fmt: skip
        self._pieces = WholeUnits(self._block)
        self._frames = 0
        self._kept = np.zeros((self._block // 2, channels))  # context, then what waits for the context after it
        self._columns: tuple[list[npt.NDArray[Any]], ...] = ([], [], [], [], [])

    def push(self, block: Samples) -> None:
        """Take the next frames, shape (frames, channels)."""
        self._frames += block.shape[0]
        for piece in self._pieces.push(block):
            taken = self._take(np.concatenate([self._kept, piece]))
            for column, rows in zip(self._columns, taken, strict=True):
                column.append(rows)

    def result(self) -> SpikeCells:
        """Everything pushed so far."""
        rest = self._pieces.rest()
        tail = np.zeros((2 * self._block, self._channels))
        tail[: rest.shape[0]] = rest
        kept = self._kept
        last = self._take(np.concatenate([kept, tail]))
        self._kept = kept
        cells = -(-self._frames // self._cell)
        joined = []
        for column, rows in zip(self._columns, last, strict=True):
            joined.append(np.concatenate([*column, rows]))
            column[:] = [joined[-1][: len(joined[-1]) - len(rows)]]  # in place of its pieces: hours are large
        peak, spike, place, pulse, pulse_place = (one[:cells] for one in joined)
        return SpikeCells(
            rate_hz=self._rate_hz,
            cell=self._cell,
            peak=peak,
            spike=spike,
            place=place,
            pulse=pulse,
            pulse_place=pulse_place,
        )

    def _take(self, sound: npt.NDArray[np.float64]) -> _Rows:
        """Cells of the whole blocks that have context on both sides; keeps the rest for the next piece."""
        block = self._block
        blocks = (sound.shape[0] - block) // block
        shape = (self._channels, blocks * _CELLS)
        types = (np.float32, np.float32, np.int32, np.float32, np.int32)
        peak, spike, place, pulse, pulse_place = (np.empty(shape, one) for one in types)
        for channel in range(self._channels):
            one = np.ascontiguousarray(sound[: (blocks + 1) * block, channel])
            cells = (peak[channel], spike[channel], place[channel], pulse[channel], pulse_place[channel])
            spikes(one, *self._scratch, *cells)
        self._kept = sound[blocks * block :].copy()
        return peak.T, spike.T, place.T.astype(np.int16), pulse.T, pulse_place.T.astype(np.int16)


def measure_spikes(samples: Samples, rate_hz: int) -> SpikeCells:
    """`SpikeCells` of a whole signal, shape (frames, channels)."""
    meter = SpikeMeter(rate_hz, samples.shape[1])
    meter.push(samples)
    return meter.result()
