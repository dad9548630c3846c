"""What a search near an earlier sheet changed, in Markdown: what was asked in another way, and what moved."""

from autochain.chain.chain import STAGES
from autochain.sheet.model import Request, Sheet, TargetFacts
from autochain.sheet.settings import value_text
from autochain.sheet.tables import plain, table
from autochain.units import number


def wanted(target: TargetFacts | Request) -> str:
    """The loudness that is wanted, and of what."""
    if target.loudest_part_lufs is not None:
        return f"{number(target.loudest_part_lufs, 'LUFS')} in the loudest 3 s"
    return number(target.lufs, "LUFS")


def moves_section(sheet: Sheet) -> list[str]:
    """What another search near an earlier sheet left elsewhere, and what was asked for in another way."""
    around = sheet.around
    if around is None:
        return []
    was = f"{wanted(around.target)} under {number(around.target.ceiling_dbtp, 'dBTP')}"
    target = "the target is the same" if around.target == sheet.target else f"the target was {was}"
    mix = "The mix is the same" if around.same_mix else "The mix is another"
    decided = ", ".join(f"{name}={value}" for name, value in around.decided.items())
    locks = f"decided since: {decided}" if decided else "nothing was decided since"
    rows = []
    for move in sheet.moved:
        stage = STAGES[move.stage]
        parameter = stage.parameter(move.parameter)
        there = [v for v in (move.was, move.now) if v is not None]
        if parameter.quiet and there == [parameter.default]:
            continue  # of a stage that came or went, what goes without saying
        texts = ["not in the chain" if v is None else value_text(parameter, v) for v in (move.was, move.now)]
        rows.append([stage.label, parameter.label, *texts])
    return [
        "## What moved",
        "",
        f"Searched again around {plain(around.sheet)}. {mix}, {target}, {locks}.",
        "",
        *(table(["stage", "setting", "was", "is now"], rows) if rows else ["No setting moved."]),
        "",
    ]
