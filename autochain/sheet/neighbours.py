"""The suggestion between its neighbours: what to set, and what each costs."""

from collections.abc import Iterator

from autochain.chain.chain import STAGES
from autochain.chain.settings import StageName
from autochain.document.blocks import Block, Heading, Line, Listed, Paragraph, Part, Strong, table
from autochain.sheet.model import Alternative, Sheet, StageEntry
from autochain.sheet.settings import shown_settings, value_text
from autochain.sheet.words import COSTS, SIDE_WORDS
from autochain.units import number

_LEFT_OUT = "left out"
_MARKED_DB = 0.5  # costs that differ by less are not marked


def neighbour_blocks(sheet: Sheet) -> Iterator[Block]:
    """Blocks of the section; none where no neighbour was found."""
    if sheet.alternatives:
        yield Part(list(_section(sheet)), role="narrow")


def _section(sheet: Sheet) -> Iterator[Block]:
    found = {alternative.name: alternative for alternative in sheet.alternatives}
    yield Heading("The neighbours", mark="neighbours")
    yield Listed([(Strong(SIDE_WORDS[n][0]), f": {SIDE_WORDS[n][1]} {_work(one)}") for n, one in found.items()])
    sides = [found.get("cleaner"), None, found.get("more_open")]  # None is the suggestion itself
    sides = [side for place, side in enumerate(sides) if side is not None or place == 1]
    heads = ["suggestion" if side is None else SIDE_WORDS[side.name][0] for side in sides]
    yield Paragraph(
        "Measured on the whole song at the same target. Settings that differ from the suggestion are bold, and "
        "costs that differ by 0.5 dB or more."
    )
    yield table(["stage", "setting", *heads], _setting_rows(sheet, sides))
    yield table(["cost", *heads], _cost_rows(sheet, sides))


def _work(alternative: Alternative) -> str:
    """What its compressors and its clipper take beyond those of the suggestion."""
    more = alternative.early_work_db
    word = "more" if more >= 0.0 else "less"
    score = number(alternative.costs.score, decimals=2)
    return f"Compressors and clipper take {number(abs(more), 'dB')} {word} in the loud parts; score {score}."


def _setting_rows(sheet: Sheet, sides: list[Alternative | None]) -> Iterator[list[Line]]:
    chains = [{e.stage: e for e in (sheet.stages if side is None else side.stages)} for side in sides]
    own = sides.index(None)
    used = [name for name in _order(sheet, sides) if any(name in chain for chain in chains)]
    for name in used:
        texts = [_texts(chain.get(name)) for chain in chains]
        for place, label in enumerate(dict.fromkeys(label for text in texts for label in text)):
            absent = "" if place else _LEFT_OUT  # once a stage, not at each of its settings
            values = [text.get(label, "–" if text else absent) for text in texts]
            yield [STAGES[name].label, label, *(v if v in ("", values[own]) else Strong(v) for v in values)]


def _order(sheet: Sheet, sides: list[Alternative | None]) -> Iterator[StageName]:
    """Stages of all chains, in an order that each of them keeps."""
    rest = [[e.stage for e in (sheet.stages if side is None else side.stages)] for side in sides]
    while any(rest):
        heads = [names[0] for names in rest if names]
        first = next(h for h in heads if not any(h in names[1:] for names in rest))
        yield first
        rest = [names[1:] if names[:1] == [first] else names for names in rest]


def _texts(entry: StageEntry | None) -> dict[str, str]:
    """Values of one stage by label, and what its meter typically shows."""
    if entry is None:
        return {}
    texts = {parameter.label: value_text(parameter, value) for parameter, value in shown_settings(entry, quiet=False)}
    if entry.reduction_db is not None:
        word = "adds" if entry.reduction_db.max < 0.0 else "takes"
        texts[f"meter {word}"] = number(abs(entry.reduction_db.typical), "dB")
    return texts or {"all": "as usual"}


def _cost_rows(sheet: Sheet, sides: list[Alternative | None]) -> Iterator[list[Line]]:
    for name, (label, unit, decimals, _) in COSTS.items():
        cells = list[Line]()
        for side in sides:
            text = number(getattr(sheet.costs if side is None else side.costs, name), decimals=decimals)
            cells.append(Strong(text) if side is not None and abs(side.differs[name]) >= _MARKED_DB else text)
        yield [f"{label}, {unit}", *cells]
    yield [Strong("score"), *(number((side or sheet).costs.score, decimals=2) for side in sides)]
