"""Clicks of a finished master, told from the hard edges that clipping leaves on its hits.

A clipper bends the waveform within a sample, and a limiter behind it moves the level of what it cut, so that these
edges no longer stand at one height. They stand near the peak of the 50 ms around them, and are small against it. On
24 s of three demo mixes behind nine pairs of clipper and limiter, 2 of 670 such edges still pass for clicks, and with
them the smallest spikes left out, none; of 152 clicks of one sample at -30 dBFS in the same sound, 44 on top of loud
peaks are taken for edges.
"""

from dataclasses import dataclass

from autochain.audio.mix import Mix
from autochain.measure.clicks import Click, edges_of_clipping, find_clicks
from autochain.measure.fine import Fine, measure_fine
from autochain.units import linear_to_db

_LOCAL_CELLS = 50
_NEAR_PEAK_DB = -2.5
# In 60 hard-clipped masters of the demo's mixes two edges pass for clicks, and of 300 clicks put into them 35 are
# missed; at -17 it is one edge and 41 clicks.
_SMALL_DB = -19.5
_SMALLEST_DB = -50.0  # in a master that is clipped anyway
_CLIPPED = 3
_SAME_CELLS = 3
_GROWN_DB = 6.0
_END_S = 0.02


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Clicks:
    """What was found in one file.

    Attributes
    ----------
    clicks
        Spikes that belong to nothing around them.
    edges
        How many more are the edges of clipped peaks.
    fine
        The spikes that both were read from.
    """

    clicks: tuple[Click, ...]
    edges: int
    fine: Fine

    def spike_db(self, at_s: float) -> float:
        """Largest spike within 3 ms of a time, over the peak of the 50 ms around it, in dB."""
        cells = self.fine.peak.shape[0]
        index = min(max(0, int(at_s * self.fine.rate_hz) // self.fine.cell), cells - 1)
        local = self.fine.peak[max(0, index - _LOCAL_CELLS) : index + _LOCAL_CELLS + 1].max()
        spike = self.fine.spike[max(0, index - _SAME_CELLS) : index + _SAME_CELLS + 1].max()
        return linear_to_db(float(spike / max(local, 1e-9)))


def clicks_of(mix: Mix, clipped_runs: int) -> Clicks:
    """Find both; `clipped_runs` as `measure` counts them."""
    fine = measure_fine(mix.samples, mix.rate_hz)
    found = find_clicks(fine)
    edges = {*edges_of_clipping(found, clipped_runs), *(click for click in found if _bent_peak(click, fine))}
    if len(edges) >= _CLIPPED:
        edges |= {click for click in found if click.height_db < _SMALLEST_DB}
    return Clicks(clicks=tuple(click for click in found if click not in edges), edges=len(edges), fine=fine)


def new_clicks_s(before: Clicks, after: Clicks, delay_s: float) -> tuple[float, ...]:
    """Mix times of the clicks after that were not there before; `after` lies later by `delay_s`.

    A spike that was there before, though no click, and grew by less than 6 dB against what is around it, is none: a
    click is told by its surroundings, and a louder hit beside it can hide it on one side. Nor are the ends of the mix's
    file clicks, where the master has silence beyond them.
    """
    end_s = before.fine.peak.shape[0] * before.fine.cell / before.fine.rate_hz
    found = []
    for click in after.clicks:
        at_s = click.at_s - delay_s
        if _END_S < at_s < end_s - _END_S and before.spike_db(at_s) < after.spike_db(click.at_s) - _GROWN_DB:
            found.append(at_s)
    return tuple(found)


def _bent_peak(click: Click, fine: Fine) -> bool:
    index = int(click.at_s * fine.rate_hz) // fine.cell
    local = fine.peak[max(0, index - _LOCAL_CELLS) : index + _LOCAL_CELLS + 1].max()
    near = linear_to_db(float(fine.peak[index].max() / local)) > _NEAR_PEAK_DB
    return near and click.height_db < _SMALL_DB
