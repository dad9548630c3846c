"""Sheets that a job is given: files, edited or not, those that were read, or what a search has just handed over."""

from pathlib import Path

from autochain.earlier.read import read_sheet, sheet_in
from autochain.earlier.sheet import EarlierSheet
from autochain.sheet import Sheet, to_json
from autochain.tasks.sounds import IN_MEMORY

SheetGiven = Path | Sheet | EarlierSheet


def read_given(sheet: SheetGiven) -> EarlierSheet:
    """What later jobs take from a sheet; SheetError as `sheet.read.read_sheet`."""
    if isinstance(sheet, EarlierSheet):
        return sheet
    if isinstance(sheet, Path):
        return read_sheet(sheet)
    return sheet_in(to_json(sheet).encode(), Path(sheet.mix.file or IN_MEMORY).with_suffix(".sheet.json"))
