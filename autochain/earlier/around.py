"""Searching near an earlier sheet: what a hand changed on it is locked, what the sheet chose is where it starts.

A sheet holds what its search found once more, apart from the settings to read; a value that differs there was
changed by hand. The point it ended at (shares of work, time constants, softness) is kept, and with it which stages
are in; thresholds, drive and peak ceilings are derived anew, for the same mix or for a revised one.
"""

from collections.abc import Iterable
from dataclasses import dataclass

from autochain.chain.chain import DEFAULT, NEEDED, ChainPlan
from autochain.chain.output import ENDS
from autochain.chain.settings import OUTPUT, STAGE_NAMES, ChainSettings, StageName, Value, is_stage_name
from autochain.config.coordinates import BY_LEVEL, MOVED
from autochain.config.model import Config, Coordinates
from autochain.earlier.sheet import EarlierSheet
from autochain.errors import ParameterError, SheetError
from autochain.solve.decisions import Decisions, as_given, narrowed_out

# What a search moves, solves or reads off the mix; everything else on a sheet stays as it is there.
_SEARCHED = MOVED | BY_LEVEL | {(OUTPUT, name) for name in ENDS}


@dataclass(frozen=True, slots=True, kw_only=True)
class Moved:
    """One setting that another search left elsewhere; None on the side where the stage is not in the chain."""

    stage: StageName
    parameter: str
    was: Value | None
    now: Value | None


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
        Settings of the sheet.
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
    settings: ChainSettings
    held: ChainSettings
    left_out: frozenset[StageName]
    decided: ChainSettings
    binding: bool = False

    def settled(self, decisions: Decisions, stages: Iterable[StageName]) -> Decisions:
        """Put what the sheet has, and has not, of some stages under the engineer's decisions."""
        own = decisions.locks
        stages = frozenset(stages)
        here = self.held.only(n for n in self.held if n in stages and n not in decisions.without)
        return Decisions(locks=here | own, without=decisions.without | (self.left_out & stages - {*own}))

    def moved(self, settings: ChainSettings) -> tuple[Moved, ...]:
        """Every setting that differs between the sheet and `settings`, in the order of `settings`."""
        found = []
        for stage in dict.fromkeys((*settings, *self.settings)):
            for name in dict.fromkeys((*settings.of(stage), *self.settings.of(stage))):
                was, now = self.settings.value(stage, name), settings.value(stage, name)
                if was != now:
                    found.append(Moved(stage=stage, parameter=name, was=was, now=now))
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
    wrong = [name for name in sorted(sheet.without) if name in NEEDED or name not in STAGE_NAMES]
    if wrong:
        raise SheetError(
            f"{sheet.file}: provenance.request.without has {wrong[0]!r}, which is no stage that can be left out. "
            f"Take it out there."
        )
    settings = _settings(sheet, chain)
    changed = _changed(sheet, settings)
    _refuse_contradictions(sheet, changed, settings, asked)
    removed = {name for name in STAGE_NAMES if name not in settings and _had(sheet, name)}
    kept_out = {name for name in STAGE_NAMES if name in sheet.without} - {*asked.locks} - {*changed}
    without = asked.without | removed | kept_out
    older = _locks(sheet, chain)
    locks = (older | changed | asked.locks).without(*without)
    decided = {
        stage: new
        for stage, own in locks.items()
        if (new := {name: value for name, value in own.items() if older.value(stage, name) != value})
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
        held=ChainSettings(held),
        left_out=frozenset(chain.stages.keys() - {*settings}),
        decided=ChainSettings(decided),
    )
    return Decisions(locks=locks, without=frozenset(without)), rest


def _settings(sheet: EarlierSheet, chain: ChainPlan) -> ChainSettings:
    """Settings of the sheet, checked against the configuration's chain."""
    lost = [name for name in NEEDED if name not in sheet.stages]
    if lost:
        raise SheetError(f"{sheet.file}: stages has no {lost[0]}, and the chain cannot do without it. Put it back.")
    try:
        settings = chain.checked(sheet.stages)
    except ParameterError as error:
        for name, given in sheet.stages.items():
            for key, value in given.items():
                if is_stage_name(name) and name in chain.stages and (narrowed := narrowed_out(chain, name, key, value)):
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


def _had(sheet: EarlierSheet, stage: StageName) -> bool:
    """Whether the search of the sheet had the stage in."""
    return any(name.startswith(f"{stage}.") for name in sheet.found)


def _changed(sheet: EarlierSheet, settings: ChainSettings) -> ChainSettings:
    """Values that a hand has put on the sheet."""
    changed = ChainSettings()
    for stage in map(DEFAULT.stage, sheet.stages):
        for name, given in sheet.stages[stage.name].items():
            if sheet.found.get(f"{stage.name}.{name}") != given:
                changed = changed.with_(stage.name, {name: settings[stage.name].value(name)})
    return changed


def _refuse_contradictions(
    sheet: EarlierSheet, changed: ChainSettings, settings: ChainSettings, asked: Decisions
) -> None:
    for stage, own in changed.items():
        if stage == OUTPUT and "trim_db" in own:
            raise SheetError(
                f"{sheet.file}: output.trim_db was changed, but the trim is what holds the ceiling, so it cannot be "
                f"fixed. Put {sheet.found.get('output.trim_db')} back and lower --ceiling instead."
            )
        for name, value in own.items():
            other = asked.locks.value(stage, name)
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
        if stage not in settings and _had(sheet, stage):
            raise SheetError(
                f"{stage} was taken out of {sheet.file}, but --lock {stage}.{next(iter(asked.locks[stage]))} needs it. "
                f"Drop the lock, or put the stage back."
            )


def _locks(sheet: EarlierSheet, chain: ChainPlan) -> ChainSettings:
    """Locks that the sheet was made with."""
    locks = ChainSettings()
    for full, value in sheet.locks.items():
        name, _, parameter = full.partition(".")
        try:
            stage = chain.stage(name)
            locks = locks.with_(stage.name, {parameter: stage.parameter(parameter).parsed(value, name)})
        except ParameterError as error:
            raise ParameterError(f"{sheet.file}: provenance.request.locks: {error}") from None
    return locks
