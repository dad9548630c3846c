"""Names of the stages, and the settings of a chain: frozen, typed, told apart by stage and parameter.

Files and people write settings as text, TOML or JSON; `chain.ChainPlan` reads those and checks every name and range.
Inside, a chain's settings are a `ChainSettings`, complete or in part (an engineer's locks are such a part). A stage
that is not in them is left out. A setting is a number, or a word where it is one of a few choices.
"""

import difflib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final, Literal, TypeGuard, get_args, overload

from autochain.errors import ParameterError

StageName = Literal[
    "rotation", "equaliser", "dynamic_bell", "tone", "bus_compressor", "peak_compressor",
    "drive", "clipper", "transient", "limiter", "output",
]  # fmt: skip
ROTATION: Final[StageName] = "rotation"
EQUALISER: Final[StageName] = "equaliser"
DYNAMIC_BELL: Final[StageName] = "dynamic_bell"
TONE: Final[StageName] = "tone"
BUS_COMPRESSOR: Final[StageName] = "bus_compressor"
PEAK_COMPRESSOR: Final[StageName] = "peak_compressor"
DRIVE: Final[StageName] = "drive"
CLIPPER: Final[StageName] = "clipper"
TRANSIENT: Final[StageName] = "transient"
LIMITER: Final[StageName] = "limiter"
OUTPUT: Final[StageName] = "output"
STAGE_NAMES: tuple[StageName, ...] = get_args(StageName)

Value = float | str  # a choice is its word
Given = Mapping[str, Value]  # of one stage, as a file holds them
_NOTHING: Given = MappingProxyType({})


def is_stage_name(text: str) -> TypeGuard[StageName]:
    """Whether a text is the name of a stage."""
    return text in STAGE_NAMES


def near_name(name: str, known: Iterable[str], otherwise: str) -> str:
    """Say which of the known names may have been meant; `otherwise` when none is near."""
    near = difflib.get_close_matches(name, list(known), n=1)
    return f"Did you mean {near[0]}?" if near else otherwise


@dataclass(frozen=True, slots=True)
class StageSettings:
    """Settings of one stage by parameter, in the order given.

    `settings["release_ms"]` is a number, `settings.word("release_behaviour")` a word; both raise KeyError, with the
    nearest name there is, for what is not there, and TypeError for the other kind. The values are copied; none is a
    minus zero.
    """

    _values: Mapping[str, Value]

    def __init__(self, values: "StageSettings | Given" = _NOTHING, /) -> None:
        own = {name: value if isinstance(value, str) else value + 0.0 for name, value in values.items()}
        object.__setattr__(self, "_values", own)

    def value(self, name: str) -> Value:
        """Value of a parameter, number or word."""
        try:
            return self._values[name]
        except KeyError:
            hint = near_name(name, self, f"Set are {', '.join(self)}.")
            raise KeyError(f"{name} is not set. {hint}") from None

    def __getitem__(self, name: str) -> float:
        """Return a number."""
        value = self.value(name)
        if isinstance(value, str):
            raise TypeError(f"{name} is the word {value!r}, not a number")
        return value

    def word(self, name: str, default: str | None = None) -> str:
        """Word of a choice; `default` where it is not set."""
        value = self.value(name) if default is None else self._values.get(name, default)
        if not isinstance(value, str):
            raise TypeError(f"{name} is the number {value:g}, not a word")
        return value

    @overload
    def get(self, name: str) -> float | None: ...
    @overload
    def get(self, name: str, default: float) -> float: ...
    def get(self, name: str, default: float | None = None) -> float | None:
        """Return a number; `default` where it is not set."""
        return self[name] if name in self._values else default

    def items(self) -> Iterable[tuple[str, Value]]:
        """Names and values."""
        return self._values.items()

    def with_(self, values: "StageSettings | Given" = _NOTHING, /, **more: Value) -> "StageSettings":
        """The same with other values, or more of them."""
        return StageSettings({**self._values, **dict(values.items()), **more})

    def holds(self, other: "StageSettings | Given") -> bool:
        """Whether every value of `other` is in here."""
        return all(self._values.get(name) == value for name, value in other.items())

    def plain(self) -> dict[str, Value]:
        """The same for a file, a new dictionary."""
        return dict(self._values)

    def __iter__(self) -> Iterator[str]:
        return iter(self._values)

    def __len__(self) -> int:
        return len(self._values)

    def __contains__(self, name: object) -> bool:
        return name in self._values

    def __hash__(self) -> int:
        return hash(frozenset(self._values.items()))

    def __repr__(self) -> str:
        return f"StageSettings({self._values})"


_NO_STAGES: Mapping[StageName, StageSettings | Given] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class ChainSettings:
    """Settings of a chain by stage, in the order given; complete, or a part of them such as an engineer's locks.

    `settings[LIMITER]["release_ms"]` is a number that must be there; `settings.get(LIMITER, "release_ms")` is None
    where the stage is out or the parameter not set. `stage in settings` asks for a stage, `(stage, parameter) in
    settings` for a setting. Two are equal when all their values are, whatever the order; equal ones hash alike.
    """

    _stages: Mapping[StageName, StageSettings]

    def __init__(self, stages: Mapping[StageName, StageSettings | Given] = _NO_STAGES, /) -> None:
        own = {n: s if isinstance(s, StageSettings) else StageSettings(s) for n, s in stages.items()}
        object.__setattr__(self, "_stages", own)

    @classmethod
    def from_plain(cls, values: Mapping[str, Given]) -> "ChainSettings":
        """Read what `plain` gives; ParameterError for what is no stage."""
        stages: dict[StageName, Given] = {}
        for stage, own in values.items():
            if not is_stage_name(stage):
                hint = near_name(stage, STAGE_NAMES, f"Stages are {', '.join(STAGE_NAMES)}.")
                raise ParameterError(f"{stage!r} is not a stage of the chain. {hint}")
            stages[stage] = own
        return cls(stages)

    def __getitem__(self, stage: StageName) -> StageSettings:
        """Settings of a stage that is in; KeyError when it is not."""
        try:
            return self._stages[stage]
        except KeyError:
            hint = near_name(stage, self, f"In are {', '.join(self)}.")
            raise KeyError(f"{stage} is not in. {hint}") from None

    def of(self, stage: StageName) -> StageSettings:
        """Settings of a stage; none where it is not in."""
        return self._stages.get(stage, _NONE)

    def get(self, stage: StageName, parameter: str) -> float | None:
        """Return a number; None where the stage is not in or the parameter not set."""
        return self.of(stage).get(parameter)

    def value(self, stage: StageName, parameter: str) -> Value | None:
        """Value, number or word; None where the stage is not in or the parameter not set."""
        own = self.of(stage)
        return own.value(parameter) if parameter in own else None

    def items(self) -> Iterable[tuple[StageName, StageSettings]]:
        """Stages and their settings."""
        return self._stages.items()

    def with_(
        self, stage: StageName, values: StageSettings | Given = _NOTHING, /, **more: Value
    ) -> "ChainSettings":
        """The same with other values of one stage, or more of them; the stage comes in last where it was not in."""
        return ChainSettings({**self._stages, stage: self.of(stage).with_(values, **more)})

    def without(self, *stages: StageName) -> "ChainSettings":
        """The same without some stages."""
        return ChainSettings({name: own for name, own in self._stages.items() if name not in stages})

    def only(self, stages: Iterable[StageName]) -> "ChainSettings":
        """Those of the named stages that are in, in the order named."""
        return ChainSettings({name: self._stages[name] for name in stages if name in self._stages})

    def __or__(self, other: "ChainSettings") -> "ChainSettings":
        """Both together; where both have a value, that of `other`."""
        more = {name: self.of(name).with_(own) for name, own in other.items()}
        return ChainSettings({**self._stages, **more})

    def holds(self, other: "ChainSettings") -> bool:
        """Whether every value of `other` is in here."""
        return all(self.of(stage).holds(own) for stage, own in other.items())

    def flat(self) -> dict[str, Value]:
        """By `stage.parameter`; a stage without settings is not in it."""
        return {f"{stage}.{name}": value for stage, own in self.items() for name, value in own.items()}

    def plain(self) -> dict[str, dict[str, Value]]:
        """The same for a file: new dictionaries by stage and parameter."""
        return {stage: own.plain() for stage, own in self.items()}

    def __iter__(self) -> Iterator[StageName]:
        return iter(self._stages)

    def __len__(self) -> int:
        return len(self._stages)

    def __contains__(self, place: object) -> bool:
        """Whether a stage is in, or a setting given as (stage, parameter)."""
        if isinstance(place, tuple):
            stage, parameter = place
            return stage in self._stages and parameter in self._stages[stage]
        return place in self._stages

    def __hash__(self) -> int:
        return hash(frozenset(self._stages.items()))

    def __repr__(self) -> str:
        return f"ChainSettings({self.plain()})"


_NONE = StageSettings()
NOTHING_SET = ChainSettings()
