"""One adjustable value of a processor: name, unit, range, scale and the step a hand can set; or one of a few words."""

import difflib
import math
from dataclasses import dataclass
from typing import Literal

from autochain.errors import ParameterError


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
        Ends of the range, both included.
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
        Words to choose from, for a setting that is not a quantity; its value is the place in this list, so
        that every setting is a number inside, while people and files see the word (`parsed`, `shown`).
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
    default: float
    step: float
    scale: Literal["linear", "log"] = "linear"
    ends: str = ""
    off: float | None = None
    choices: tuple[str, ...] = ()
    whole: bool = False
    quiet: bool = False

    def parsed(self, text: str | float, where: str) -> float:
        """Value that a person or a file gives: a number, or one of the words; checked like `check`."""
        if self.choices and isinstance(text, str):
            if text in self.choices:
                return float(self.choices.index(text))
            near = difflib.get_close_matches(text, self.choices, n=1)
            hint = f"Did you mean {near[0]}?" if near else "Choose one of them."
            raise ParameterError(f"{where}.{self.name} is {text!r}; it can be {', '.join(self.choices)}. {hint}")
        try:
            number = float(text)
        except ValueError:
            unit = f" in {self.unit}" if self.unit else ""
            raise ParameterError(f"{where}.{self.name}: {text!r} is not a number. Write a number{unit}.") from None
        return self.check(number, where)

    def shown(self, value: float) -> str | float:
        """Value as a file holds it: the word of a choice, otherwise the number; inverse of `parsed`."""
        return self.choices[round(value)] if self.choices else value

    def check(self, value: float, where: str) -> float:
        """Return `value` as float; ParameterError naming `where` (the stage) when out of range."""
        value = float(value)
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

    def nearest(self, value: float) -> float:
        """Nearest value inside the range."""
        return min(self.high, max(self.low, value))

    def rounded(self, value: float) -> float:
        """Nearest value a hand can set, inside the range."""
        if self.off is not None and value == self.off:
            return value
        step = self.step
        if self.scale == "log" and value > 0.0:
            step = max(step, 10.0 ** (math.floor(math.log10(value)) - 1))
        decimals = max(0, -math.floor(math.log10(step) + 1e-9))
        return self.nearest(round(round(value / step) * step, decimals + 1))


def choice(
    *, name: str, label: str, choices: tuple[str, ...], default: str, ends: str = "", quiet: bool = False
) -> Parameter:
    """Build a parameter that is one of a few words."""
    return Parameter(
        name=name, label=label, unit="", low=0.0, high=len(choices) - 1.0, default=float(choices.index(default)),
        step=1.0, ends=ends, choices=choices, whole=True, quiet=quiet,
    )  # fmt: skip
