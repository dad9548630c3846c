"""Blind choices between two versions, in a plain file of the user's: read strictly, added to one at a time.

format_version 1: first version. A choice holds what the two versions cost and no sound. The file is JSON, one choice a
line. It is written under a temporary name and moved; who adds holds a lock beside it, which goes with the process.
"""

import hashlib
import json
import re
import time
from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator
from pydantic.dataclasses import dataclass as checked_dataclass

from autochain.audio.files import write_text
from autochain.audio.output_set import output_set
from autochain.errors import ChoicesError, RunningError, printable
from autochain.given import bytes_of, json_in, quoted
from autochain.search.costs import COST_NAMES, Costs

CHOICES_FORMAT = 1
# A limit of this project: noise-to-mask ratios begin at -99 dB, and nothing that a chain does costs as much.
MOST_COST_DB = 200.0
_WAIT_S = 5.0  # until another writer has ended, which takes milliseconds
_MOST_LINES = 20  # of an error

_CHECKED = ConfigDict(extra="forbid", allow_inf_nan=False, strict=True)


class _Part(BaseModel):
    model_config = ConfigDict(**_CHECKED, frozen=True)


@checked_dataclass(frozen=True, kw_only=True, config=_CHECKED)
class BlindCosts(Costs):
    """Costs by name as they stand on a sheet, and nothing else."""

    @field_validator("*")
    @classmethod
    def _check(cls, value: float) -> float:
        if not abs(value) <= MOST_COST_DB:
            raise ValueError(f"must lie between {-MOST_COST_DB:g} and {MOST_COST_DB:g}")
        return value


class BlindVersion(_Part):
    """One of the two versions: what it was called once it was no secret any more, and what it costs."""

    name: Annotated[str, Field(min_length=1, max_length=200)]
    costs: BlindCosts

    @classmethod
    def of(cls, name: str, costs: Costs) -> Self:
        """A version with the costs of a search or of a sheet, of which the score is left out."""
        return cls(name=name, costs=BlindCosts(**{own: getattr(costs, own) for own in COST_NAMES}))


class BlindChoice(_Part):
    """Which of two versions of a mix was chosen, at equal loudness and without their names.

    Attributes
    ----------
    day
        When.
    mix_sha256
        Hash of the mix's file.
    first, second
        The two versions, in any order.
    chosen
        Which of them.
    at_s
        Where in the mix it was heard, 0 or more; None where it was not one place.
    """

    day: date
    mix_sha256: Annotated[str, Field(pattern="^[0-9a-f]{64}$")]
    first: BlindVersion
    second: BlindVersion
    chosen: Literal["first", "second"]
    at_s: Annotated[float, Field(ge=0.0)] | None = None

    @property
    def taken(self) -> BlindVersion:
        """The version that was chosen."""
        return self.first if self.chosen == "first" else self.second

    @property
    def left(self) -> BlindVersion:
        """The other one."""
        return self.second if self.chosen == "first" else self.first


class _File(_Part):
    format_version: Literal[1]
    choices: tuple[BlindChoice, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Choices:
    """The choices of a file in their order, and the hash of its bytes."""

    choices: tuple[BlindChoice, ...]
    sha256: str


def read_choices(path: Path) -> Choices:
    """Read a file of choices.

    Raises
    ------
    ChoicesError
        The file is not there, is no file of choices, or holds what none holds; one line per problem, each with its
        place.
    UnreadableError
        The system does not let the file be read.
    """
    data = bytes_of(path, "the choices", ChoicesError)
    return Choices(choices=_choices_in(data, path), sha256=hashlib.sha256(data).hexdigest())


def add_choice(path: Path, choice: BlindChoice) -> None:
    """Add a choice to the end of a file, which is made where there is none.

    Another that adds at the same time is waited for, up to 5 s.

    Raises
    ------
    ChoicesError
        What is there is no file of choices; it is left as it is.
    UnreadableError, AudioFileError
        The system does not let the file be read or written.
    RunningError
        Another process does not let go of the file.
    """
    with _held(path):
        before = read_choices(path).choices if path.exists() else ()
        write_text(path, choices_text((*before, choice)), force=True)


def choices_text(choices: Sequence[BlindChoice]) -> str:
    """The file, one choice a line."""
    lines = (json.dumps(one.model_dump(mode="json"), separators=(", ", ": ")) for one in choices)
    return f'{{"format_version": {CHOICES_FORMAT}, "choices": [\n' + ",\n".join(lines) + "\n]}\n"


def _choices_in(data: bytes, path: Path) -> tuple[BlindChoice, ...]:
    try:
        values = json_in(data)
    except ValueError as error:
        raise _no_json(path, str(error)) from None
    if not isinstance(values, dict) or "format_version" not in values or "choices" not in values:
        raise ChoicesError(f"{path}: no file of choices. Give the file in which your blind choices are kept.")
    version = values["format_version"]
    if version != CHOICES_FORMAT or type(version) is not int:
        raise ChoicesError(
            f"{path}: format_version is {quoted(version)}; {CHOICES_FORMAT} can be read. "
            "Use the autochain that wrote it."
        )
    try:
        # Once more as text: a date is text there, and what a text may be encoded in has been seen to.
        return _File.model_validate_json(json.dumps(values), strict=True).choices
    except ValidationError as error:
        problems = error.errors()
        if problems[0]["type"] == "json_invalid":
            raise _no_json(path, problems[0]["msg"]) from None
        lines = [f"{path.name}: {_line(problem)}" for problem in problems[:_MOST_LINES]]
        if len(problems) > _MOST_LINES:
            lines.append(f"{path.name}: {len(problems) - _MOST_LINES} more of the kind. Correct these first.")
        raise ChoicesError("\n".join(lines)) from None


def _no_json(path: Path, reason: str) -> ChoicesError:
    return ChoicesError(f"{path}: not JSON ({printable(reason, 200)}). Correct that place, or give another file.")


def _line(problem: Any) -> str:
    # Choices are counted from 1, as lines are.
    where = ".".join(str(key + 1) if isinstance(key, int) else printable(key, 200) for key in problem["loc"])
    if problem["type"] == "missing":
        return f"{where} is missing. Put it back, or take the whole choice out."
    if problem["type"] in ("extra_forbidden", "unexpected_keyword_argument"):
        return f"{where} is not known here. Take it out."
    reason = re.sub("^(Input|String) should", "must", problem["msg"].removeprefix("Value error, ")).removesuffix(".")
    return f"{where} is {quoted(problem['input'])}; it {reason}. Correct it, or take the choice out."


def _held(path: Path) -> ExitStack:
    """Hold a file against others that add to it."""
    until = time.monotonic() + _WAIT_S
    while True:
        with ExitStack() as held:
            try:
                held.enter_context(output_set(path.parent, path.name))
                return held.pop_all()
            except RunningError:
                if time.monotonic() > until:
                    raise
        time.sleep(0.01)
