"""What a sheet says to do, as a chain and its settings."""

from autochain.chain.chain import DEFAULT, ChainPlan, order_problem
from autochain.chain.settings import LIMITER, OUTPUT, ChainSettings
from autochain.earlier.sheet import EarlierSheet
from autochain.errors import ParameterError, SheetError


def sheet_chain(sheet: EarlierSheet) -> tuple[ChainPlan, ChainSettings]:
    """Stages in the sheet's own order, and their settings, every range checked.

    Raises
    ------
    SheetError
        A stage or a setting that is not known or out of range, or an order in which nothing would hold the ceiling.
    """
    names = list(sheet.stages)
    if LIMITER not in names and names[-1:] == [OUTPUT]:
        names.insert(-1, LIMITER)  # a song that a gain was enough for has none: there the trim holds the ceiling
    problem = order_problem(names)
    if problem is not None:
        raise SheetError(f"{sheet.file}: stages {problem.rstrip('.')}.")
    chain = ChainPlan(stages={stage.name: stage for stage in map(DEFAULT.stage, sheet.stages)})
    try:
        return chain, chain.checked(sheet.stages)
    except ParameterError as error:
        raise SheetError(f"{sheet.file}: {error}") from None
