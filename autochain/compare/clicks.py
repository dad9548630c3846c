"""Clicks of a finished master, told from the hard edges that clipping leaves on its hits.

A clipper bends the waveform within a sample, and a limiter behind it moves the level of what it cut, so that these
edges no longer stand at one height. They stand near the peak of the 50 ms around them, and are small against it. On
24 s of three demo mixes behind nine pairs of clipper and limiter, 2 of 670 such edges still pass for clicks, and with
them the smallest spikes left out, none; of 152 clicks of one sample at -30 dBFS in the same sound, 44 on top of loud
peaks are taken for edges.
"""

from dataclasses import dataclass

import numpy as np

from autochain.audio.mix import Mix
from autochain.measure.clicks import Click, edges_of_clipping, find_clicks
from autochain.measure.fine import Fine, measure_fine
from autochain.units import linear_to_db

_LOCAL_CELLS = 50
_NEAR_PEAK_DB = -2.5
_SMALL_DB = -22.0
_SMALLEST_DB = -50.0  # in a master that is clipped anyway
_CLIPPED = 3
_SAME_S = 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class Clicks:
    """What was found in one file.

    Attributes
    ----------
    clicks
        Spikes that belong to nothing around them.
    edges
        How many more are the edges of clipped peaks.
    """

    clicks: tuple[Click, ...]
    edges: int


def clicks_of(mix: Mix, clipped_runs: int) -> Clicks:
    """Find both; `clipped_runs` as `measure` counts them."""
    fine = measure_fine(mix.samples, mix.rate_hz)
    found = find_clicks(fine)
    edges = {*edges_of_clipping(found, clipped_runs), *(click for click in found if _bent_peak(click, fine))}
    if len(edges) >= _CLIPPED:
        edges |= {click for click in found if click.height_db < _SMALLEST_DB}
    return Clicks(clicks=tuple(click for click in found if click not in edges), edges=len(edges))


def new_clicks_s(before: Clicks, after: Clicks, delay_s: float) -> tuple[float, ...]:
    """Mix times of the clicks after that were not there before; `after` lies later by `delay_s`."""
    own = np.array([click.at_s for click in before.clicks])
    at = [click.at_s - delay_s for click in after.clicks]
    return tuple(t for t in at if not own.size or np.abs(own - t).min() > _SAME_S)


def _bent_peak(click: Click, fine: Fine) -> bool:
    index = int(click.at_s * fine.rate_hz) // fine.cell
    local = fine.peak[max(0, index - _LOCAL_CELLS) : index + _LOCAL_CELLS + 1].max()
    near = linear_to_db(float(fine.peak[index].max() / local)) > _NEAR_PEAK_DB
    return near and click.height_db < _SMALL_DB
