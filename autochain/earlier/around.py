"""Searching near an earlier sheet: what a hand changed on it is locked, what the sheet chose is where it starts.

A sheet holds what its search found once more, apart from the settings to read; a value that differs there was
changed by hand. The point it ended at (shares of work, time constants, softness) is kept, and with it which stages
are in; thresholds, drive and peak ceilings are derived anew, for the same mix or for a revised one.
"""

from collections.abc import Iterable
from dataclasses import dataclass

from autochain.chain.chain import STAGES, ChainPlan
from autochain.chain.output import ENDS
from autochain.config.chain import FOUND
from autochain.config.model import PARAMETER_OF, Config, Coordinates
from autochain.earlier.sheet import EarlierSheet
from autochain.errors import ParameterError, SheetError
from autochain.solve.decisions import Decisions, Locks, as_given, narrowed_out

# What a search moves, solves or reads off the mix; everything else on a sheet stays as it is there.
_SEARCHED = {
    *PARAMETER_OF.values(),
    *((stage, name) for stage, names in FOUND.items() if stage != "rotation" for name in names),
    *(("output", name) for name in ENDS),
}
_NEEDED = ("drive", "limiter", "output")


@dataclass(frozen=True, slots=True, kw_only=True)
class Moved:
    """One setting that another search left elsewhere; None on the side where the stage is not in the chain."""

    stage: str
    parameter: str
    was: float | None
    now: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Around:
    """Where a search near an earlier sheet starts, and what it leaves alone.

    Attributes
    ----------
    sheet
        The earlier sheet.
    start
        Point it starts from.
    settings
        Settings of the sheet by stage, choices as numbers.
    held
        Those of them that no search moves, of every stage that stays in.
    left_out
        Stages that the sheet does not have.
    decided
        What was decided since: changed on the sheet, or asked for now.
    binding
        Whether a result without what is held is none, even where a simple baseline is better.
    """

    sheet: EarlierSheet
    start: Coordinates
    settings: Locks
    held: Locks
    left_out: frozenset[str]
    decided: Locks
    binding: bool = False

    def settled(self, decisions: Decisions, stages: Iterable[str]) -> Decisions:
        """Put what the sheet has, and has not, of some stages under the engineer's decisions."""
        own = decisions.locks
        stages = frozenset(stages)
        here = {n: v for n, v in self.held.items() if n in stages and n not in decisions.without}
        locks = {name: {**here.get(name, {}), **own.get(name, {})} for name in (*here, *own)}
        return Decisions(locks=locks, without=decisions.without | (self.left_out & stages - own.keys()))

    def moved(self, settings: Locks) -> tuple[Moved, ...]:
        """Every setting that differs between the sheet and `settings`, in the order of `settings`."""
        found = []
        for stage in dict.fromkeys((*settings, *self.settings)):
            was, now = self.settings.get(stage, {}), settings.get(stage, {})
            for name in dict.fromkeys((*now, *was)):
                if was.get(name) != now.get(name):
                    found.append(Moved(stage=stage, parameter=name, was=was.get(name), now=now.get(name)))
        return tuple(found)


def stay_near(sheet: EarlierSheet, asked: Decisions, config: Config) -> tuple[Decisions, Around]:
    """Compare a sheet with what is asked now; returns all decisions, the sheet's own among them, and the rest.

    Newer decisions replace older ones: what is asked now, and what was changed on the sheet, go over the locks that
    the sheet was made with.

    Raises
    ------
    SheetError
        What was changed on the sheet contradicts what is asked, or the sheet has nothing to search around.
    ParameterError
        A stage, a parameter or a value that the configuration's chain does not have.
    """
    if sheet.point is None:
        raise SheetError(
            f"{sheet.file} reached its target by a gain alone, so there is nothing to search around. "
            f"Ask again without --around."
        )
    chain = config.chain_plan
    wrong = [name for name in sorted(sheet.without) if name in _NEEDED or name not in STAGES]
    if wrong:
        raise SheetError(
            f"{sheet.file}: provenance.request.without has {wrong[0]!r}, which is no stage that can be left out. "
            f"Take it out there."
        )
    settings = _settings(sheet, chain)
    changed = _changed(sheet, settings)
    _refuse_contradictions(sheet, changed, settings, asked)
    removed = {name.partition(".")[0] for name in sheet.found} - settings.keys()
    without = asked.without | removed | (sheet.without - asked.locks.keys() - changed.keys())
    older = _nested(sheet, chain)
    layers = (older, changed, asked.locks)
    locks = {
        stage: {name: value for layer in layers for name, value in layer.get(stage, {}).items()}
        for stage in dict.fromkeys(stage for layer in layers for stage in layer)
        if stage not in without
    }
    decided = {
        stage: new
        for stage, own in locks.items()
        if (new := {name: v for name, v in own.items() if older.get(stage, {}).get(name) != v})
    }
    held = {
        stage: {name: value for name, value in own.items() if (stage, name) not in _SEARCHED}
        for stage, own in settings.items()
        # What the configuration sets is asked for now.
        if stage not in without and stage not in chain.given
    }
    rest = Around(
        sheet=sheet,
        start=sheet.point,
        settings=settings,
        held=held,
        left_out=frozenset(chain.stages.keys() - settings.keys()),
        decided=decided,
    )
    return Decisions(locks=locks, without=frozenset(without)), rest


def _settings(sheet: EarlierSheet, chain: ChainPlan) -> dict[str, dict[str, float]]:
    """Settings of the sheet as numbers, checked against the configuration's chain."""
    lost = [name for name in _NEEDED if name not in sheet.stages]
    if lost:
        raise SheetError(f"{sheet.file}: stages has no {lost[0]}, and the chain cannot do without it. Put it back.")
    try:
        settings = chain.parsed(sheet.stages)
    except ParameterError as error:
        for name, own in sheet.stages.items():
            for key, value in own.items():
                if name in chain.stages and (narrowed := narrowed_out(chain, name, key, value)):
                    raise SheetError(
                        f"{sheet.file} has {name}.{key}={value}, which contradicts {narrowed}. Change one of them."
                    ) from None
        raise ParameterError(f"{sheet.file}: {error}") from None
    for name, own in settings.items():
        for key in own:
            if key not in sheet.stages[name] and f"{name}.{key}" in sheet.found:
                raise SheetError(
                    f"{sheet.file}: {name}.{key} was taken out, but the search found {sheet.found[f'{name}.{key}']}. "
                    f"Put it back, or take out the whole stage."
                )
    return settings


def _changed(sheet: EarlierSheet, settings: Locks) -> dict[str, dict[str, float]]:
    """Values that a hand has put on the sheet."""
    changed: dict[str, dict[str, float]] = {}
    for stage, own in sheet.stages.items():
        for name, value in own.items():
            if sheet.found.get(f"{stage}.{name}") != value:
                changed.setdefault(stage, {})[name] = settings[stage][name]
    return changed


def _refuse_contradictions(sheet: EarlierSheet, changed: Locks, settings: Locks, asked: Decisions) -> None:
    for stage, own in changed.items():
        if stage == "output" and "trim_db" in own:
            raise SheetError(
                f"{sheet.file}: output.trim_db was changed, but the trim is what holds the ceiling, so it cannot be "
                f"fixed. Put {sheet.found.get('output.trim_db')} back and lower --ceiling instead."
            )
        for name, value in own.items():
            other = asked.locks.get(stage, {}).get(name)
            if other is not None and other != value:
                raise SheetError(
                    f"{sheet.file} was changed to {as_given(stage, name, value)}, but --lock gives "
                    f"{as_given(stage, name, other)}. Keep one of them."
                )
            if stage in asked.without:
                raise SheetError(
                    f"{sheet.file} was changed to {as_given(stage, name, value)}, but --without {stage} leaves the "
                    f"stage out. Drop one of them."
                )
    for stage in asked.locks:
        if stage not in settings and any(name.startswith(f"{stage}.") for name in sheet.found):
            raise SheetError(
                f"{stage} was taken out of {sheet.file}, but --lock {stage}.{next(iter(asked.locks[stage]))} needs it. "
                f"Drop the lock, or put the stage back."
            )


def _nested(sheet: EarlierSheet, chain: ChainPlan) -> dict[str, dict[str, float]]:
    """Locks of the sheet by stage, as numbers."""
    nested: dict[str, dict[str, float]] = {}
    for full, value in sheet.locks.items():
        stage, _, name = full.partition(".")
        try:
            nested.setdefault(stage, {})[name] = chain.stage(stage).parameter(name).parsed(value, stage)
        except ParameterError as error:
            raise ParameterError(f"{sheet.file}: provenance.request.locks: {error}") from None
    return nested
