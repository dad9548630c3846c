"""What a sheet says of its settings, read back to be shown beside what is under the hand; a sheet may say less."""

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from autochain.chain.chain import DEFAULT, ChainPlan
from autochain.chain.settings import ChainSettings
from autochain.config.model import Target
from autochain.earlier.read import sheet_in
from autochain.earlier.sheet import EarlierSheet
from autochain.errors import ParameterError, SheetError
from autochain.given import bytes_of, json_in
from autochain.measure.measurement import LevelFigures, Levels
from autochain.render.sheet_chain import sheet_chain
from autochain.search.costs import COST_NAMES, Costs
from autochain.sheet.model import CostFigures, Sheet


@dataclass(frozen=True, slots=True, kw_only=True)
class Figures:
    """What is known of a version on the whole song.

    Attributes
    ----------
    levels
        Loudness and true peak of its render; None of each where it is not known.
    costs, score
        Against the mix behind its linear stages; None where they are not known.
    met
        Whether its target is reached under its ceiling.
    exact
        False for what the place alone lets expect.
    """

    levels: LevelFigures
    costs: Costs | None
    score: float | None
    met: bool
    exact: bool = True


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SheetVersion:
    """A sheet as a version to be heard.

    Attributes
    ----------
    sheet, said
        What is taken from the sheet, and all that it says; None where that is no longer whole.
    chain, settings
        What it says to do.
    figures
        None where its settings were changed since, or where it has none.
    baselines
        Settings and figures of its baselines, by name; none on sheets of earlier versions of the program.
    """

    sheet: EarlierSheet
    said: Sheet | None
    chain: ChainPlan
    settings: ChainSettings
    figures: Figures | None
    baselines: dict[str, tuple[ChainSettings, Figures]]

    @property
    def target(self) -> Target:
        """What it aimed at."""
        return self.sheet.target


def sheet_version(path: Path) -> SheetVersion:
    """Read a sheet.

    Raises
    ------
    SheetError, UnreadableError
        It is not there, or cannot be carried out.
    """
    data = bytes_of(path, "the sheet", SheetError)
    sheet = sheet_in(data, path)
    chain, settings = sheet_chain(sheet)
    said = _said(data)
    unchanged = ChainSettings.from_plain(sheet.stages).flat() == dict(sheet.found)
    return SheetVersion(
        sheet=sheet,
        said=said,
        chain=chain,
        settings=settings,
        figures=None if said is None or not unchanged else _figures(said.after, said.costs, said.met),
        baselines={} if said is None else dict(_baselines(said)),
    )


def _said(data: bytes) -> Sheet | None:
    """All of a sheet; None where a hand has added to it, or taken from it: its settings still hold."""
    try:
        values = json_in(data)
        for own in values["baselines"].values():
            own.setdefault("settings", {})
        return Sheet.model_validate_json(json.dumps(values))
    except (ValueError, KeyError, AttributeError, TypeError):
        return None


def _baselines(said: Sheet) -> Iterator[tuple[str, tuple[ChainSettings, Figures]]]:
    for name, own in said.baselines.items():
        levels = LevelFigures(
            integrated_lufs=own.integrated_lufs, max_short_term_lufs=own.max_short_term_lufs, true_peak_dbtp=None
        )
        try:
            settings = DEFAULT.checked(own.settings)
        except ParameterError:
            continue
        if settings:
            yield name, (settings, _figures(levels, own, own.met))


def _figures(levels: Levels, costs: CostFigures, met: bool) -> Figures:
    return Figures(
        levels=levels_of(levels),
        costs=Costs(**{name: getattr(costs, name) for name in COST_NAMES}),
        score=costs.score,
        met=met,
    )


def levels_of(levels: Levels) -> LevelFigures:
    """Loudness and peak alone."""
    return LevelFigures(
        integrated_lufs=levels.integrated_lufs,
        max_short_term_lufs=levels.max_short_term_lufs,
        true_peak_dbtp=levels.true_peak_dbtp,
    )
