"""What a coder adds to the peaks of this song, and the ceiling that would leave room for it."""

import math
from dataclasses import dataclass

from autochain.render.formats import Export
from autochain.render.reading import Reading


@dataclass(frozen=True, slots=True, kw_only=True)
class Headroom:
    """A coded file, decoded again.

    Attributes
    ----------
    export
        Format and setting.
    true_peak_dbtp
        Highest of three readings after decoding; None for silence.
    clipped
        Samples at or over full scale after decoding: a player with fixed-point output cuts them off.
    ceiling_dbtp
        Ceiling of the master, in steps of 0.1 dB, with which the decoded file would stay under the ceiling asked for,
        as far as the coder adds the same again; None where it stays under it as it is.
    kbps
        Bits per second that the coder used, in thousands.
    """

    export: Export
    true_peak_dbtp: float | None
    clipped: int
    ceiling_dbtp: float | None
    kbps: float


def headroom_of(export: Export, reading: Reading, ceiling_dbtp: float, master_dbtp: float | None) -> Headroom:
    """Compare what comes back with the master that went in, whose true peak may lie under the ceiling."""
    peak = reading.figures.true_peak_dbtp
    added = 0.0 if peak is None or master_dbtp is None else max(0.0, peak - master_dbtp)
    lower = round(ceiling_dbtp - 0.1 * math.ceil(10.0 * added - 1e-6), 1)
    return Headroom(
        export=export,
        true_peak_dbtp=peak,
        clipped=reading.clipped,
        ceiling_dbtp=lower if peak is not None and peak > ceiling_dbtp else None,
        kbps=reading.kbps,
    )
