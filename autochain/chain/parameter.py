"""One adjustable value of a processor: name, unit, range, scale and the step a hand can set; or one of a few words."""

import math
from dataclasses import dataclass
from typing import Literal, overload

from autochain.chain.settings import Value, near_name
from autochain.errors import ParameterError
from autochain.given import quoted


@dataclass(frozen=True, slots=True, kw_only=True)
class Parameter:
    """A processor setting.

    Attributes
    ----------
    name
        Identifier with its unit, such as `attack_ms`.
    label
        Words for it on the sheet, such as `attack`.
    unit
        Unit as printed: `ms`, `dB`, `dBFS`, `dBTP`, `Hz`, `%`, `deg`, or empty for a ratio.
    low, high
        Ends of the range, both included; 0 for a choice.
    default
        Value used when nothing else is said.
    step
        Smallest step a hand sets. A `log` parameter is rounded to two significant digits, never finer
        than `step`.
    scale
        `linear` or `log`: how a search moves in it.
    ends
        What the two ends of the range mean, in plain words.
    off
        A value outside the range that switches this part of the stage off, printed as `off`; or None.
    choices
        Words to choose from, for a setting that is not a quantity.
    whole
        True when only whole numbers mean something.
    quiet
        True when a sheet need not print it while it stands at its default.
    """

    name: str
    label: str
    unit: str
    low: float
    high: float
    default: Value
    step: float
    scale: Literal["linear", "log"] = "linear"
    ends: str = ""
    off: float | None = None
    choices: tuple[str, ...] = ()
    whole: bool = False
    quiet: bool = False

    def parsed(self, text: Value, where: str) -> Value:
        """Value that a person or a file gives, as text or as it is: the number or the word, checked like `check`."""
        return self.word(text, where) if self.choices else self.number(text, where)

    def number(self, text: Value, where: str) -> float:
        """Return the number that a person or a file gives; ParameterError naming `where`, the stage, if it is none."""
        try:
            value = _number(text)
        except (ValueError, OverflowError):
            unit = f" in {self.unit}" if self.unit else ""
            raise ParameterError(
                f"{where}.{self.name}: {quoted(text)} is not a number. Write a number{unit}."
            ) from None
        if self.off is not None and value == self.off:
            return value
        if not math.isfinite(value) or not self.low <= value <= self.high:
            unit = f" {self.unit}" if self.unit else ""
            raise ParameterError(
                f"{where}.{self.name} is {value:g}{unit}; it must be {self.low:g} to {self.high:g}{unit}"
                f"{'' if self.off is None else f' (or {self.off:g} for off)'}. Choose a value in that range."
            )
        if self.whole and value != round(value):
            raise ParameterError(f"{where}.{self.name} is {value:g}; it must be a whole number. Write {round(value)}.")
        return value

    def word(self, text: Value, where: str) -> str:
        """Return the word that a person or a file gives; ParameterError naming `where`, the stage, if it is none."""
        if isinstance(text, str) and text in self.choices:
            return text
        hint = near_name(str(text), self.choices, "Choose one of them.")
        raise ParameterError(f"{where}.{self.name} is {quoted(text)}; it can be {', '.join(self.choices)}. {hint}")

    def nearest(self, value: float) -> float:
        """Nearest value inside the range."""
        return min(self.high, max(self.low, value))

    @overload
    def rounded(self, value: float) -> float: ...
    @overload
    def rounded(self, value: str) -> str: ...
    def rounded(self, value: Value) -> Value:
        """Nearest value a hand can set, inside the range; a word stays."""
        if isinstance(value, str) or (self.off is not None and value == self.off):
            return value
        step = self.step
        if self.scale == "log" and value > 0.0:
            step = max(step, 10.0 ** (math.floor(math.log10(value)) - 1))
        decimals = max(0, -math.floor(math.log10(step) + 1e-9))
        return self.nearest(round(round(value / step) * step, decimals + 1))


def _number(given: Value) -> float:
    """A number as it is written in ASCII; `float` also takes digits of other scripts, and underscores."""
    if isinstance(given, str) and not (given.isascii() and "_" not in given):
        raise ValueError
    return float(given)


def choice(
    *, name: str, label: str, choices: tuple[str, ...], default: str, ends: str = "", quiet: bool = False
) -> Parameter:
    """Build a parameter that is one of a few words."""
    return Parameter(
        name=name, label=label, unit="", low=0.0, high=0.0, default=default, step=0.0, ends=ends, choices=choices,
        quiet=quiet,
    )  # fmt: skip
