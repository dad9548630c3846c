"""A sheet carried out: its settings rendered on the mix, and what its equalisers do to the spectrum."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

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
from autochain.units import number

if TYPE_CHECKING:
    from autochain.render.tool_chain import ToolChain
    from autochain.tool.knobs import KnobMap

EQUALISERS = (EQUALISER, TONE)
# What a tool's knob is for, by the setting of ours.
_ROLES: Mapping[str, str] = {
    "threshold_db": "threshold", "ratio": "ratio", "attack_ms": "attack", "release_ms": "release",
    "ceiling_dbfs": "ceiling", "ceiling_dbtp": "ceiling", "lookahead_ms": "lookahead", "softness": "softness",
}  # fmt: skip


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
    on_tools
        The user's own tools that carried it out, where the sheet has a column for them.
    """

    sheet: EarlierSheet
    settings: ChainSettings
    master: Mix
    reductions_db: Mapping[StageName, npt.NDArray[np.floating[Any]]]
    curves: Mapping[StageName, tuple[BandChange, ...]]
    on_tools: "ToolChain | None" = None

    def set_to(self, stage: StageName, parameter: str) -> str:
        """One setting as the sheet prints it, on a tool its knob; empty where the stage is not on the sheet."""
        knob = self._knob(stage, parameter)
        if knob is not None:
            return f"{knob[0].knob.word} {knob[1]:g}"
        value = self.settings.value(stage, parameter)
        return "" if value is None else value_text(STAGES[stage].parameter(parameter), value)

    def on_sheet(self, stage: StageName, parameter: str) -> str:
        """The same in brackets behind a space, to end a clause with."""
        value = self.set_to(stage, parameter)
        return f" (the sheet has {value})" if value else ""

    def turn(self, stage: StageName, parameter: str, *, up: bool) -> str:
        """Words that begin a sentence: what to turn so that a threshold or a ceiling goes up or down."""
        knob = self._knob(stage, parameter)
        if knob is None:
            label = "threshold" if parameter == "threshold_db" else "ceiling"
            return f"{'Raise' if up else 'Lower'} its {label}"
        points, which = knob[0].points, knob[0].knob.word
        falls = points[-1][1] < points[0][1]
        return f"Turn {which} {'up' if up != falls else 'down'}"

    def set_back(self, stage: StageName, parameter: str, value: str) -> str:
        """Words that begin a sentence: what to set to what the sheet has, to a `value` where ours stands there."""
        knob = self._knob(stage, parameter)
        if knob is None:
            return f"Set the {STAGES[stage].label}'s ceiling to {value}"
        return f"Set {knob[0].knob.word} to {knob[1]:g}"

    def meter(self, stage: StageName) -> str:
        """What its meter should show."""
        typical = None if self.on_tools is None else self.on_tools.typical_db.get(stage)
        return "what the sheet names" if typical is None else f"{number(typical, 'dB')} in the loud parts"

    def _knob(self, stage: StageName, parameter: str) -> "tuple[KnobMap, float] | None":
        """Knob of a tool that stands for a setting, and its position; None where ours holds."""
        placed = None if self.on_tools is None else self.on_tools.placed.get(stage)
        role = _ROLES.get(parameter)
        if placed is None or role is None or len(placed.positions) != 1 or role not in placed.positions[0]:
            return None
        return placed.tool.maps[role], placed.positions[0][role]


def render_sheet(sheet: EarlierSheet, mix: Mix) -> RenderedSheet:
    """Render the settings of a sheet on a mix, in its order; where it has a column for the user's own tools, on these.

    Raises
    ------
    SheetError
        As `render.sheet_chain.sheet_chain` and `render.tool_chain.tool_chain`.
    """
    on_tools = None
    if sheet.on_tools is None:
        chain, settings = sheet_chain(sheet)
    else:
        from autochain.render.tool_chain import tool_chain  # what fits and draws is loaded where there is a tool

        on_tools = tool_chain(sheet)
        chain, settings = on_tools.chain, on_tools.settings
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
        on_tools=on_tools,
    )
