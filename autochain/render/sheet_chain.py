"""What a sheet says to do, as a chain and its settings."""

from autochain.chain.chain import STAGES, ChainPlan, order_problem
from autochain.earlier.sheet import EarlierSheet
from autochain.errors import ParameterError, SheetError

Settings = dict[str, dict[str, float]]


def sheet_chain(sheet: EarlierSheet) -> tuple[ChainPlan, Settings]:
    """Stages in the sheet's own order, and their settings as numbers, every range checked.

    Raises
    ------
    SheetError
        A stage or a setting that is not known or out of range, or an order in which nothing would hold the ceiling.
    """
    names = list(sheet.stages)
    if "limiter" not in names and names[-1:] == ["output"]:
        names.insert(-1, "limiter")  # a song that a gain was enough for has none: there the trim holds the ceiling
    problem = order_problem(names)
    if problem is not None:
        raise SheetError(f"{sheet.file}: stages {problem.rstrip('.')}.")
    chain = ChainPlan(stages={name: STAGES[name] for name in sheet.stages})
    try:
        return chain, chain.parsed(sheet.stages)
    except ParameterError as error:
        raise SheetError(f"{sheet.file}: {error}") from None
