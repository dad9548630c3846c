"""Everything that is looked at before a mix is worked on: one pass over its file, two when there are clicks."""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path

from autochain.audio.blocks import read_blocks
from autochain.audio.mix import Samples
from autochain.measure.clicks import Click, find_clicks
from autochain.measure.density import peak_density
from autochain.measure.dropouts import Dropout, find_dropouts
from autochain.measure.edits import told_apart
from autochain.measure.ends import Ends, measure_ends
from autochain.measure.fine import FineMeter
from autochain.measure.hum import Hum, HumMeter
from autochain.measure.jumps import Jump, JumpMeter
from autochain.measure.measurement import Measured, MixMeter
from autochain.measure.mono import MonoFold, fold_to_mono
from autochain.measure.noise import steady_floor_dbfs


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Inspection:
    """What was found; each part is described where it is measured. `mono` is None for one channel."""

    duration_s: float
    measured: Measured
    clicks: tuple[Click, ...]
    dropouts: tuple[Dropout, ...]
    hum: tuple[Hum, ...]
    jumps: tuple[Jump, ...]
    mono: MonoFold | None
    peak_density: float | None
    steady_floor_dbfs: float | None
    ends: Ends


class InspectionMeter:
    """Inspects a stream; blocks of any size, the size does not change the result.

    Parameters
    ----------
    rate_hz
        44100 to 192000.
    channels
        1 or 2.
    """

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._rate_hz, self._frames = rate_hz, 0
        self._mix = MixMeter(rate_hz, channels)
        self._fine = FineMeter(rate_hz, channels)
        self._hum = HumMeter(rate_hz, channels)
        self._jumps = JumpMeter(rate_hz, channels)

    def push(self, block: Samples) -> None:
        """Take the next frames, shape (frames, channels), float32 or float64, always the same of both."""
        self._frames += block.shape[0]
        self._mix.push(block)
        self._fine.push(block)
        self._hum.push(block)
        self._jumps.push(block)

    def result(self) -> Inspection:
        """Everything pushed so far; 3 s at least. Edits still stand among the clicks."""
        measured, fine = self._mix.result(), self._fine.result()
        return Inspection(
            duration_s=self._frames / self._rate_hz,
            measured=measured,
            clicks=find_clicks(fine),
            dropouts=find_dropouts(fine),
            hum=self._hum.result(),
            jumps=self._jumps.result(),
            mono=fold_to_mono(measured.sums),
            peak_density=peak_density(measured.sums),
            steady_floor_dbfs=steady_floor_dbfs(measured.sums),
            ends=measure_ends(measured.sums),
        )


def inspect(samples: Samples, rate_hz: int) -> Inspection:
    """`Inspection` of a whole signal, shape (frames, channels), at least 3 s."""
    meter = InspectionMeter(rate_hz, samples.shape[1])
    meter.push(samples)
    return _with_edits(meter.result(), [samples], rate_hz)


def inspect_file(path: str | Path) -> Inspection:
    """`Inspection` of a sound file, read block by block.

    Raises
    ------
    AudioFileError
        As `audio.files.read_mix`.
    """
    blocks = read_blocks(path)
    meter = InspectionMeter(blocks.rate_hz, blocks.channels)
    for block in blocks:
        meter.push(block)
    return _with_edits(meter.result(), blocks, blocks.rate_hz)


def _with_edits(seen: Inspection, blocks: Iterable[Samples], rate_hz: int) -> Inspection:
    """Look at the sound around the clicks once more: some are edits."""
    clicks, jumps = told_apart(seen.clicks, seen.jumps, blocks, rate_hz)
    return replace(seen, clicks=clicks, jumps=jumps)
