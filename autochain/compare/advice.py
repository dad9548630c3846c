"""One thing that looks off in a bounce, and what to try next."""

from dataclasses import dataclass

from autochain.chain.chain import STAGES
from autochain.compare.rendered_sheet import Plan
from autochain.sheet.settings import value_text


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """One thing that looks off.

    Attributes
    ----------
    stage
        Stage of the chain by name, or empty where none is to blame.
    seen
        What differs from the plan, a sentence.
    try_next
        What to do, a sentence.
    size
        How many times it exceeds what is let pass.
    """

    stage: str
    seen: str
    try_next: str
    size: float


def set_to(plan: Plan, stage: str, parameter: str) -> str:
    """Setting of a plan as the sheet prints it; empty where the stage is not in the plan."""
    value = plan.settings.get(stage, {}).get(parameter)
    return "" if value is None else value_text(STAGES[stage].parameter(parameter), value)


def on_sheet(plan: Plan, stage: str, parameter: str) -> str:
    """The same in brackets behind a space, to end a clause with."""
    value = set_to(plan, stage, parameter)
    return f" (the sheet has {value})" if value else ""
