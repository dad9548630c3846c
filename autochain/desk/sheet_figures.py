"""What a sheet says of its settings, read back to be shown beside what is under the hand; a sheet may say less."""

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

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
from autochain.sheet.model import Sheet


@dataclass(frozen=True, slots=True, kw_only=True)
class VersionFigures:
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
    figures: VersionFigures | None
    baselines: dict[str, tuple[ChainSettings, VersionFigures]]

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
    values = json_in(data)
    unchanged = ChainSettings.from_plain(sheet.stages).flat() == dict(sheet.found)
    own = _figures(_part(values, "after"), _part(values, "costs"), values.get("met") is True)
    return SheetVersion(
        sheet=sheet,
        said=_said(values),
        chain=chain,
        settings=settings,
        figures=own if unchanged else None,
        baselines=dict(_baselines(_part(values, "baselines"))),
    )


def _part(values: Mapping[str, Any], name: str) -> Mapping[str, Any]:
    """A table of a sheet; an empty one where there is none."""
    own = values.get(name)
    return own if isinstance(own, dict) else {}


def _said(values: Mapping[str, Any]) -> Sheet | None:
    """All of a sheet; None where a hand has added to it or taken from it, and of earlier versions of the program."""
    try:
        return Sheet.model_validate_json(json.dumps(values))
    except ValueError:
        return None


def _baselines(baselines: Mapping[str, Any]) -> Iterator[tuple[str, tuple[ChainSettings, VersionFigures]]]:
    for name in baselines:
        own = _part(baselines, name)
        try:
            settings = DEFAULT.checked(_part(own, "settings"))
        except (ParameterError, AttributeError, TypeError):
            continue
        figures = _figures(own, own, own.get("met") is True)
        if settings and figures is not None and figures.costs is not None:
            yield name, (settings, figures)


def _figures(levels: Mapping[str, Any], costs: Mapping[str, Any], met: bool) -> VersionFigures | None:
    """What stands on the sheet; None where it does not say how loud."""
    lufs = _number(levels.get("integrated_lufs"))
    priced = {name: _number(costs.get(name)) for name in COST_NAMES}
    known = {name: value for name, value in priced.items() if value is not None}
    if lufs is None:
        return None
    return VersionFigures(
        levels=LevelFigures(
            integrated_lufs=lufs,
            max_short_term_lufs=_number(levels.get("max_short_term_lufs")),
            true_peak_dbtp=_number(levels.get("true_peak_dbtp")),
        ),
        costs=Costs(**known) if len(known) == len(priced) else None,
        score=_number(costs.get("score")),
        met=met,
    )


def _number(value: object) -> float | None:
    return float(value) if isinstance(value, (int, float)) and not isinstance(value, bool) else None


def levels_of(levels: Levels) -> LevelFigures:
    """Loudness and peak alone."""
    return LevelFigures(
        integrated_lufs=levels.integrated_lufs,
        max_short_term_lufs=levels.max_short_term_lufs,
        true_peak_dbtp=levels.true_peak_dbtp,
    )
