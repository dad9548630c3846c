"""What a sheet plans: its settings rendered on the mix, and what its equalisers do to the spectrum."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from autochain.audio.mix import Mix
from autochain.measure.band_changes import BandChange, band_changes
from autochain.measure.spectrum import measure_spectrum
from autochain.render.planned import planned
from autochain.search.around import EarlierSheet

EQUALISERS = ("equaliser", "tone")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Plan:
    """A sheet carried out.

    Attributes
    ----------
    sheet
        The sheet.
    settings
        Its settings by stage, choices as numbers.
    master
        What the settings make of the mix, without the silence around the song.
    reductions_db
        What each stage that follows level takes every 10 ms, by stage.
    curves
        Change of every third octave by each equaliser of the sheet that does anything, by stage.
    """

    sheet: EarlierSheet
    settings: Mapping[str, Mapping[str, float]]
    master: Mix
    reductions_db: Mapping[str, npt.NDArray[np.floating[Any]]]
    curves: Mapping[str, tuple[BandChange, ...]]


def carry_out(sheet: EarlierSheet, mix: Mix) -> Plan:
    """Render the settings of a sheet on a mix, in the order that they have on it.

    Raises
    ------
    SheetError
        As `render.planned.planned`.
    """
    chain, settings = planned(sheet)
    rendered = chain.render(mix.samples, mix.rate_hz, settings)
    before, curves = None, {}
    for name in EQUALISERS:
        if name in settings:
            before = measure_spectrum(mix.samples, mix.rate_hz) if before is None else before
            only = chain.render(mix.samples, mix.rate_hz, settings, stages=(name,)).samples
            if only is not mix.samples:
                curves[name] = band_changes(before, measure_spectrum(only, mix.rate_hz), 0.0)
    return Plan(
        sheet=sheet,
        settings=settings,
        master=replace(mix, samples=rendered.samples, file=sheet.file),
        reductions_db={name: trace.mean_db for name, trace in rendered.traces.items()},
        curves=curves,
    )
