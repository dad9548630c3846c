"""What is under the hand: settings, what is locked and what is switched off in them, and the way back and forth.

Everything is written at every change, so that nothing is lost with the process.
"""

import json
import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict, ValidationError

from autochain.audio.files import unwritable, write_text
from autochain.chain.chain import DEFAULT, NEEDED, ChainPlan
from autochain.chain.settings import DRIVE, OUTPUT, ChainSettings, StageName, Value, is_stage_name
from autochain.config.model import Target
from autochain.config.read import check_target
from autochain.errors import AutochainError, ParameterError, SheetError, TargetError, UsageError, printable
from autochain.given import json_in, quoted

Setting = tuple[StageName, str]  # stage and parameter

_VERSION = 1
_MOST_STEPS = 200
_RUN_S = 1.0  # turns of one setting that follow each other sooner are one step back
_MOST_BYTES = 8_000_000  # five times what two hundred steps with ten bands each come to
_STAYS_IN = (DRIVE, OUTPUT)


@dataclass(frozen=True, slots=True, kw_only=True)
class HandState:
    """What is under the hand at one moment.

    Attributes
    ----------
    settings
        Of every stage that was ever in, those that are switched off included; complete, in chain order.
    locks
        Settings that neither a solve nor a search may move.
    off
        Stages that are switched off.
    target
        Loudness and ceiling wanted.
    """

    settings: ChainSettings
    locks: frozenset[Setting] = frozenset()
    off: frozenset[StageName] = frozenset()
    target: Target

    @property
    def active(self) -> ChainSettings:
        """Settings of the stages that are on."""
        return self.settings.without(*self.off)

    @property
    def locked(self) -> ChainSettings:
        """Locks with their values, of the stages that are on."""
        return _only(self.active, self.locks)

    @property
    def left_out(self) -> frozenset[StageName]:
        """Stages that no search may put in: those that are switched off, but for what a chain cannot do without."""
        return self.off.difference(NEEDED)

    @property
    def drive_locked(self) -> bool:
        """Whether the drive is not to be solved."""
        return (DRIVE, "gain_db") in self.locks

    @property
    def kept(self) -> ChainSettings:
        """All that a solve leaves as it is: everything but the drive, where that is free, and the trim."""
        solved = {(OUTPUT, "trim_db")} | (set() if self.drive_locked else {(DRIVE, "gain_db")})
        active = self.active
        return _only(active, {(s, name) for s, own in active.items() for name in own} - solved)

    def settled(self, settings: ChainSettings) -> "HandState":
        """The same with drive and trim as they were solved."""
        solved = _only(settings, {(DRIVE, "gain_db"), (OUTPUT, "trim_db")}).only(self.settings)
        return replace(self, settings=(self.settings | solved).only(self.settings))

    def plain(self) -> dict[str, Any]:
        """As a file holds it."""
        return {
            "settings": self.settings.plain(),
            "locks": sorted(f"{stage}.{name}" for stage, name in self.locks),
            "off": sorted(self.off),
            "target": self.target.model_dump(exclude_none=True),
        }


def _only(settings: ChainSettings, places: "frozenset[Setting] | set[Setting]") -> ChainSettings:
    return ChainSettings(
        {
            stage: values
            for stage, own in settings.items()
            if (values := {name: value for name, value in own.items() if (stage, name) in places})
        }
    )


def aimed(
    target: Target, lufs: float | None, loudest_part_lufs: float | None, ceiling_dbtp: float | None
) -> Target:
    """A target with another loudness, of the whole or of the loudest 3 s, or another ceiling; the rest stays.

    Raises
    ------
    TargetError
        What no master can or should have.
    """
    new = target.model_dump()
    if lufs is not None or loudest_part_lufs is not None:
        new |= {"lufs": lufs, "loudest_part_lufs": loudest_part_lufs}
    if ceiling_dbtp is not None:
        new["ceiling_dbtp"] = ceiling_dbtp
    try:
        wanted = Target.model_validate(new)
    except ValidationError as error:
        reason = error.errors()[0]["msg"].removeprefix("Value error, ")
        raise TargetError(f"the target {reason[0].lower()}{reason[1:]}.") from None
    check_target(wanted)
    return wanted


@lru_cache(maxsize=2 * _MOST_STEPS + 1)  # two hundred steps are written at every turn
def _json(state: HandState) -> str:
    return json.dumps(state.plain(), separators=(",", ":"))


def nobody_minds(state: HandState) -> None:
    """Every state fits."""


@dataclass(slots=True)
class _History:
    """States one may go back to, the last first to go; and those gone back from."""

    undo: list[HandState] = field(default_factory=list)
    redo: list[HandState] = field(default_factory=list)


class Hand:
    """The settings under the hand, and their history.

    Parameters
    ----------
    state
        Where it starts.
    path
        Where every change is written; None for nowhere.
    chain
        Stages, with the ranges that hold.
    fits
        Raises for a state that cannot be, beyond the ranges: it is then not taken.
    now_s
        A clock.
    """

    def __init__(
        self,
        state: HandState,
        path: Path | None = None,
        *,
        chain: ChainPlan = DEFAULT,
        fits: Callable[[HandState], None] = nobody_minds,
        now_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self.state = state
        self._chain, self._path, self._fits, self._now_s = chain, path, fits, now_s
        self._history = _History()
        self._run: tuple[Setting, float] | None = None

    @property
    def can_undo(self) -> bool:
        """Whether there is a step back."""
        return bool(self._history.undo)

    @property
    def can_redo(self) -> bool:
        """Whether there is a step forth."""
        return bool(self._history.redo)

    def turn(self, stage: str, parameter: str, value: Value) -> None:
        """Set one setting, which switches its stage on; a drive that is turned is locked by it: it is solved else.

        Raises
        ------
        ParameterError
            No such stage or parameter, or a value out of its range.
        """
        known = self._chain.stage(stage)
        one = known.parameter(_text(parameter, "parameter"))
        if isinstance(value, bool) or not isinstance(value, (int, float, str)):
            raise ParameterError(f"{known.name}.{one.name}: {quoted(value)} is not a number. Write one.")
        given = one.parsed(value, known.name)
        if (known.name, one.name) == (OUTPUT, "trim_db"):
            raise ParameterError("output.trim_db holds the ceiling, so no hand sets it. Lower the ceiling instead.")
        state, setting = self.state, (known.name, one.name)
        own = known.checked(state.settings.of(known.name).with_({one.name: given}))
        locks = state.locks | {setting} if setting == (DRIVE, "gain_db") else state.locks
        new = replace(
            state, settings=self._ordered(state.settings.with_(known.name, own)), locks=locks,
            off=state.off - {known.name},
        )  # fmt: skip
        at = self._now_s()
        goes_on = self._run is not None and self._run[0] == setting and at - self._run[1] < _RUN_S
        self._take(new, step=not goes_on)
        self._run = (setting, at)

    def switch(self, stage: str, on: bool) -> None:
        """Switch a stage on or off; its settings stay. One that was never in comes in with its defaults.

        Raises
        ------
        ParameterError, UsageError
            No such stage, or one that no chain can do without.
        """
        known, state = self._chain.stage(stage), self.state
        if not on and known.name in _STAYS_IN:
            raise UsageError(f"{known.name} cannot be switched off: the chain cannot do without it.")
        settings = state.settings
        if on and known.name not in settings:
            settings = self._ordered(settings.with_(known.name, known.checked({})))
        off = state.off - {known.name} if on or known.name not in settings else state.off | {known.name}
        self._take(replace(state, settings=settings, off=off))

    def lock(self, stage: str, parameter: str, on: bool) -> None:
        """Lock a setting where it stands, or let it go.

        Raises
        ------
        ParameterError
            No such stage or parameter, or one that holds the ceiling.
        """
        known = self._chain.stage(stage)
        name = known.parameter(_text(parameter, "parameter")).name
        if (known.name, name) == (OUTPUT, "trim_db"):
            raise ParameterError("output.trim_db holds the ceiling, so it cannot be locked. Lower the ceiling instead.")
        if on and (known.name, name) not in self.state.settings:
            raise ParameterError(f"{known.name}.{name} is not set, so it cannot be locked. Switch the stage on first.")
        setting = (known.name, name)
        locks = self.state.locks | {setting} if on else self.state.locks - {setting}
        self._take(replace(self.state, locks=locks))

    def aim(
        self,
        lufs: float | None = None,
        loudest_part_lufs: float | None = None,
        ceiling_dbtp: float | None = None,
    ) -> None:
        """Want another loudness, of the whole or of the loudest 3 s, or another ceiling; the rest stays.

        Raises
        ------
        TargetError
            What no master can or should have.
        """
        self._take(replace(self.state, target=aimed(self.state.target, lufs, loudest_part_lufs, ceiling_dbtp)))

    def take(self, state: HandState) -> None:
        """Take all of another state, in one step."""
        self._take(replace(state, settings=self._chain.checked(state.settings)))

    def settle(self, settings: ChainSettings) -> None:
        """Let a drive and a trim that were solved for the settings under the hand take their place: no step."""
        self.state = self.state.settled(settings)
        self._write()

    def undo(self) -> bool:
        """One step back; whether there was one."""
        return self._go(self._history.undo, self._history.redo)

    def redo(self) -> bool:
        """One step forth; whether there was one."""
        return self._go(self._history.redo, self._history.undo)

    def _go(self, source: list[HandState], back: list[HandState]) -> bool:
        if not source:
            return False
        back.append(self.state)
        self.state, self._run = source.pop(), None
        self._write()
        return True

    def _take(self, new: HandState, *, step: bool = True) -> None:
        self._run = None
        if new == self.state:
            return
        self._fits(new)
        if step:
            self._history.undo.append(self.state)
            del self._history.undo[:-_MOST_STEPS]
        self._history.redo.clear()
        self.state = new
        self._write()

    def _ordered(self, settings: ChainSettings) -> ChainSettings:
        return settings.only(self._chain.stages)

    def _write(self) -> None:
        if self._path is not None:
            undo, redo = (",".join(map(_json, states)) for states in (self._history.undo, self._history.redo))
            text = f'{{"format_version":{_VERSION},"now":{_json(self.state)},"undo":[{undo}],"redo":[{redo}]}}\n'
            write_text(self._path, text, force=True)

    def read(self) -> str | None:
        """Go on where a file was left; what to say where it cannot be read: it is then set aside, and never lost.

        Raises
        ------
        AudioFileError
            It can neither be read nor set aside.
        """
        if self._path is None or not self._path.exists():
            return None
        try:
            self.state, self._history = self._from(self._path.read_bytes())
        except (OSError, SheetError) as error:
            why = getattr(error, "strerror", None) or str(error)
            aside = _set_aside(self._path)
            return f"{self._path.name} cannot be read ({printable(why, 300)}); it is kept as {aside.name}."
        self._run = None
        return None

    def readable(self) -> bool:
        """Whether there is a file that can be read; it is left where it is."""
        try:
            return self._path is not None and bool(self._from(self._path.read_bytes()))
        except (OSError, SheetError):
            return False

    def _from(self, data: bytes) -> tuple[HandState, _History]:
        if len(data) > _MOST_BYTES:
            raise SheetError(f"it has {len(data) / 1e6:.0f} MB, {_MOST_BYTES / 1e6:.0f} is the most")
        try:
            values = json_in(data)
            read = _Read.model_validate(values, strict=True)
        except ValidationError as error:
            first = error.errors()[0]
            at = ".".join(map(str, first["loc"])) or "the whole"
            raise SheetError(f"{at}: {first['msg'].removeprefix('Value error, ')}") from None
        except ValueError as error:
            raise SheetError(f"no JSON: {error}") from None
        if read.format_version != _VERSION:
            raise SheetError(f"its format_version is {read.format_version}, and {_VERSION} can be read")
        if max(len(read.undo), len(read.redo)) > _MOST_STEPS:
            raise SheetError(f"it has more than {_MOST_STEPS} steps")
        try:
            now = self._state(read.now)
            self._fits(now)
            return now, _History([self._state(one) for one in read.undo], [self._state(one) for one in read.redo])
        except AutochainError as error:
            raise SheetError(" ".join(str(error).split("\n"))) from None

    def _state(self, read: "_State") -> HandState:
        settings = self._chain.checked(read.settings)
        locks = set()
        for full in read.locks:
            name, _, parameter = full.partition(".")
            stage = self._chain.stage(name)
            locks.add((stage.name, stage.parameter(parameter).name))
        for name in read.off:
            if not is_stage_name(name) or name in _STAYS_IN or name not in settings:
                raise SheetError(f"off has {quoted(name)}, which cannot be")
        missing = [name for name in _STAYS_IN if name not in settings]
        if missing:
            raise SheetError(f"settings has no {missing[0]}")
        check_target(read.target)
        off = frozenset(name for name in read.off if is_stage_name(name))
        return HandState(settings=settings, locks=frozenset(locks), off=off, target=read.target)


class _State(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    settings: dict[str, dict[str, float | str]]
    locks: list[str]
    off: list[str]
    target: Target


class _Read(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")

    format_version: int
    now: _State
    undo: list[_State]
    redo: list[_State]


def _text(value: object, what: str) -> str:
    if not isinstance(value, str):
        raise ParameterError(f"{quoted(value)} is no {what}. Name one.")
    return value


def _set_aside(path: Path) -> Path:
    """Move a file out of the way, under a name that nothing has."""
    for number in range(1, 1000):
        aside = path.with_name(f"{path.stem}.not-read-{number}{path.suffix}")
        if not aside.exists():
            try:
                path.rename(aside)
            except OSError as error:
                raise unwritable(path, error) from error
            return aside
    raise UsageError(f"{path.parent} has a thousand files that could not be read. Look at them, and move them away.")


def start_of(
    settings: ChainSettings, target: Target, locks: Mapping[str, Value], chain: ChainPlan = DEFAULT
) -> HandState:
    """Where a hand begins: complete settings, and the locks that they were found with, by `stage.parameter`."""
    places: set[Setting] = set()
    for full in locks:
        stage, _, parameter = full.partition(".")
        with suppress(AutochainError):
            known = chain.stage(stage)
            if known.name in settings and known.parameter(parameter).name in settings[known.name]:
                places.add((known.name, parameter))
    return HandState(settings=chain.checked(settings), locks=frozenset(places), target=target)
