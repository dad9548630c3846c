"""A sheet carried out: its settings rendered on the mix, and what its equalisers do to the spectrum."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from autochain.audio.mix import Mix
from autochain.chain.chain import STAGES
from autochain.chain.settings import EQUALISER, TONE, ChainSettings, StageName
from autochain.earlier.sheet import EarlierSheet
from autochain.measure.band_changes import BandChange, band_changes
from autochain.measure.spectrum import measure_spectrum
from autochain.render.sheet_chain import sheet_chain
from autochain.sheet.settings import value_text

EQUALISERS = (EQUALISER, TONE)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RenderedSheet:
    """A sheet carried out.

    Attributes
    ----------
    sheet
        The sheet.
    settings
        Its settings.
    master
        What the settings make of the mix, without the silence around the song.
    reductions_db
        What each stage that follows level takes every 10 ms, by stage.
    curves
        Change of every third octave by each equaliser of the sheet that does anything, by stage.
    """

    sheet: EarlierSheet
    settings: ChainSettings
    master: Mix
    reductions_db: Mapping[StageName, npt.NDArray[np.floating[Any]]]
    curves: Mapping[StageName, tuple[BandChange, ...]]

    def set_to(self, stage: StageName, parameter: str) -> str:
        """One setting as the sheet prints it; empty where the stage is not on the sheet."""
        value = self.settings.value(stage, parameter)
        return "" if value is None else value_text(STAGES[stage].parameter(parameter), value)

    def on_sheet(self, stage: StageName, parameter: str) -> str:
        """The same in brackets behind a space, to end a clause with."""
        value = self.set_to(stage, parameter)
        return f" (the sheet has {value})" if value else ""


def render_sheet(sheet: EarlierSheet, mix: Mix) -> RenderedSheet:
    """Render the settings of a sheet on a mix, in the order that they have on it.

    Raises
    ------
    SheetError
        As `render.sheet_chain.sheet_chain`.
    """
    chain, settings = sheet_chain(sheet)
    rendered = chain.render(mix.samples, mix.rate_hz, settings)
    before = None
    curves: dict[StageName, tuple[BandChange, ...]] = {}
    for name in EQUALISERS:
        if name in settings:
            before = measure_spectrum(mix.samples, mix.rate_hz) if before is None else before
            only = chain.render(mix.samples, mix.rate_hz, settings, stages=(name,)).samples
            if only is not mix.samples:
                curves[name] = band_changes(before, measure_spectrum(only, mix.rate_hz), 0.0)
    return RenderedSheet(
        sheet=sheet,
        settings=settings,
        master=replace(mix, samples=rendered.samples, file=sheet.file),
        reductions_db={name: trace.mean_db for name, trace in rendered.traces.items()},
        curves=curves,
    )
