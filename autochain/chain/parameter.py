"""One adjustable value of a processor: name, unit, range, scale and the step a hand can set."""

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
        return value

    def rounded(self, value: float) -> float:
        """Nearest value a hand can set, inside the range."""
        if self.off is not None and value == self.off:
            return value
        step = self.step
        if self.scale == "log" and value > 0.0:
            step = max(step, 10.0 ** (math.floor(math.log10(value)) - 1))
        decimals = max(0, -math.floor(math.log10(step) + 1e-9))
        nearest = round(round(value / step) * step, decimals + 1)
        return min(self.high, max(self.low, nearest))
