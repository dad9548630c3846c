"""From a knob to the thing it moves, and back: straight lines between what bounces showed."""

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from autochain.errors import steers
from autochain.given import quoted
from autochain.tool.refusal import ToolError
from autochain.tool.signal import ToolKind

# By kind and role of a knob: the field of the model that it moves, and whether both are told in ratios.
THINGS: Mapping[ToolKind, Mapping[str, tuple[str, bool]]] = {
    "compressor": {
        "threshold": ("threshold_dbfs", False),
        "ratio": ("ratio", True),
        "knee": ("knee_db", False),
        "attack": ("attack_ms", True),
        "release": ("release_ms", True),
        "lookahead": ("lookahead_ms", False),
        "gain": ("gain_db", False),
    },
    "limiter": {
        "ceiling": ("ceiling_dbfs", False),
        "release": ("release_ms", True),
        "lookahead": ("lookahead_ms", True),
        "gain": ("gain_db", False),
    },
    "clipper": {"ceiling": ("ceiling_dbfs", False), "softness": ("softness", False), "gain": ("gain_db", False)},
    "equaliser": {
        "frequency": ("freq_hz", True),
        "gain": ("gain_db", False),
        "q": ("q", True),
        "level": ("level_db", False),
    },
}
# A limiter's attack is the time that its gain takes to come down ahead of a peak: its look-ahead.
_ALSO = {("limiter", "threshold"): "ceiling", ("clipper", "threshold"): "ceiling", ("limiter", "attack"): "lookahead"}

# Without limits of its own, a knob is used so far beyond what was bounced. Limits of this project.
_RATIO_BEYOND, _DB_BEYOND = 4.0, 24.0
_STEP_DB = 0.1
MOST_ON_A_KNOB, LONGEST_ON_A_TOOL, _LEAST_STEP = 1e6, 300, 1e-6
_LEAST, _MOST_LN, _LEAST_APART = 1e-9, 60.0, 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class ToolKnob:
    """A knob that may be turned.

    Attributes
    ----------
    role
        What it is for: a name of `THINGS`.
    word
        What it is called on the tool.
    low, high, step
        Its ends and steps as on the tool; step 0 for two digits (ratios) or 0.1 (others).
    positions
        The only places it has; empty for any.
    """

    role: str
    word: str
    low: float | None = None
    high: float | None = None
    step: float = 0.0
    positions: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        """ToolError for a knob that there cannot be."""
        numbers = [one for one in (self.low, self.high, self.step, *self.positions) if one is not None]
        odd = next((one for one in numbers if not abs(one) <= MOST_ON_A_KNOB), None)
        if odd is not None:
            raise ToolError(f"knobs.{self.role} has {odd:g}; no knob goes beyond {MOST_ON_A_KNOB:g}. Correct it.")
        if self.low is not None and self.high is not None and not self.low < self.high:
            raise ToolError(f"knobs.{self.role} goes from {self.low:g} to {self.high:g}. Write the lower end first.")
        if self.step and not self.step >= _LEAST_STEP:
            raise ToolError(f"knobs.{self.role} has steps of {self.step:g}; {_LEAST_STEP:g} is the least. Correct it.")


@dataclass(frozen=True, slots=True)
class KnobMap:
    """One knob and what it moved: points of (knob, thing), rising by knob, in ratios where `log`.

    One point alone counts as in proportion (log), or as shifted by as much everywhere.
    """

    knob: ToolKnob
    points: tuple[tuple[float, float], ...]
    log: bool

    def thing(self, position: float) -> float:
        """What a position means."""
        return _along(self.points, position, self.log)

    def position(self, thing: float) -> float:
        """Position that means a thing, within the knob's ends, at a place that it has."""
        exact = _along(tuple(sorted((b, a) for a, b in self.points)), thing, self.log)
        return self.held(exact)

    def held(self, position: float) -> float:
        """The nearest position that the knob has."""
        knob = self.knob
        if knob.positions:
            return min(knob.positions, key=lambda one: abs(self.scaled(one) - self.scaled(position)))
        low, high = self.ends
        position = min(high, max(low, position))
        step = knob.step or _STEP_DB
        if not knob.step and self.log and position > 0.0:
            step = 10.0 ** (math.floor(math.log10(position)) - 1)
        rounded = round(round(position / step) * step, 9)
        return min(high, max(low, rounded))

    def scaled(self, value: float) -> float:
        """A position or a thing on the scale on which the map is straight."""
        return math.log(max(value, _LEAST)) if self.log else value

    @property
    def ends(self) -> tuple[float, float]:
        """Lowest and highest position that is used."""
        if self.knob.positions:
            return min(self.knob.positions), max(self.knob.positions)
        first, last = self.points[0][0], self.points[-1][0]
        low = first / _RATIO_BEYOND if self.log else first - _DB_BEYOND
        high = last * _RATIO_BEYOND if self.log else last + _DB_BEYOND
        return (
            low if self.knob.low is None else self.knob.low,
            high if self.knob.high is None else self.knob.high,
        )

    @property
    def reach(self) -> tuple[float, float]:
        """Least and most of the thing that the knob can do."""
        ends = [self.thing(end) for end in self.ends]
        return min(ends), max(ends)


def _along(points: Sequence[tuple[float, float]], at: float, log: bool) -> float:
    """Value on the line through points; the outer lines go on, one point alone has the slope 1."""
    if log:
        line = _along([(math.log(a), math.log(b)) for a, b in points], math.log(max(at, _LEAST)), False)
        return math.exp(min(_MOST_LN, max(-_MOST_LN, line)))
    if len(points) == 1:
        return at - points[0][0] + points[0][1]
    place = next((k for k in range(1, len(points) - 1) if at < points[k][0]), len(points) - 1)
    (a, b), (c, d) = points[place - 1], points[place]
    return b + (d - b) * (at - a) / max(_LEAST_APART, c - a)


def knob_maps(
    kind: ToolKind, bounces: Sequence[tuple[Mapping[str, float], Mapping[str, float]]], knobs: Mapping[str, ToolKnob]
) -> dict[str, KnobMap]:
    """Map of every knob by role, from (positions, things) of each bounce.

    Raises
    ------
    ToolError
        A knob that turns back, does not move what it is named after, or stood nowhere.
    """
    maps = {}
    for role, knob in knobs.items():
        field, log = THINGS[kind][role]
        found: dict[float, list[float]] = {}
        for positions, things in bounces:
            if role in positions:
                found.setdefault(positions[role], []).append(things[field])
        if not found:
            raise ToolError(
                f"knobs.{role} is there, and no bounce says how it stood. Take it out, or read the tool again."
            )
        points = sorted((at, sum(values) / len(values)) for at, values in found.items())
        log = log and all(at > 0.0 and thing > 0.0 for at, thing in points)
        rises = [b[1] - a[1] for a, b in itertools.pairwise(points)]
        if rises and not (min(rises) > 0.0 or max(rises) < 0.0):
            told = ", ".join(f"{knob.word} {at:g} reads {thing:.3g}" for at, thing in points)
            raise ToolError(
                f"{told} ({field}): it must go one way. Bounce with settings that lie further apart, and check --set."
            )
        maps[role] = KnobMap(knob, tuple(points), log)
    return maps


def role_of(kind: ToolKind, name: str) -> str | None:
    """Role that a name stands for; None for a setting that is only noted."""
    name = _ALSO.get((kind, name), name)
    return name if name in THINGS[kind] else None


def parse_settings(kind: ToolKind, text: str) -> tuple[dict[str, float], dict[str, str], dict[str, str]]:
    """Read what --set gives: positions by role, the tool's words by role, and what is only noted.

    `role=value`, or `role:word=value` where the tool calls it otherwise.

    Raises
    ------
    ToolError
        What is no such thing.
    """
    if any(steers(c) for c in text if not c.isspace()):
        raise ToolError(f"--set has {text!r}; write it without control characters.")
    positions, words, noted = dict[str, float](), dict[str, str](), dict[str, str]()
    for one in text.split():
        name, equals, value = one.partition("=")
        role_name, _, word = name.partition(":")
        if max(len(name), len(value)) > LONGEST_ON_A_TOOL:
            raise ToolError(f"--set has {quoted(one)}; {LONGEST_ON_A_TOOL} characters are the most. Shorten it.")
        if not equals or not name or not value:
            raise ToolError(f"--set has {one!r}; write each knob as name=value, such as threshold=-20 attack=10.")
        role = role_of(kind, role_name)
        if role is None:
            noted[name] = value
            continue
        try:
            number = float(value)
        except ValueError:
            number = math.nan
        if not abs(number) <= MOST_ON_A_KNOB:
            raise ToolError(f"--set has {one!r}; {role_name} of a {kind} must be a number, as its knob shows it.")
        if role in positions:
            raise ToolError(f"--set has {role_name} twice. Name each knob once.")
        positions[role], words[role] = number, word.replace("_", " ") or role_name
    return positions, words, noted


def parse_knobs(kind: ToolKind, text: str) -> dict[str, tuple[float | None, float | None, float, tuple[float, ...]]]:
    """Read what --knobs gives: `role=low:high`, `role=low:high:step`, or `role=1|2|4` for fixed places.

    Raises
    ------
    ToolError
        What is no such thing.
    """
    found: dict[str, tuple[float | None, float | None, float, tuple[float, ...]]] = {}
    for one in text.split():
        name, _, value = one.partition("=")
        role = role_of(kind, name)
        wrong = ToolError(
            f"--knobs has {one!r}; write low:high, low:high:step or the places with |, such as attack=0.1:30:0.1 "
            f"ratio=2|4|10. A {kind} has {', '.join(THINGS[kind])}."
        )
        if role is None:
            raise wrong
        try:
            if "|" in value:
                found[role] = None, None, 0.0, tuple(sorted(map(float, value.split("|"))))
                continue
            low, high, *step = map(float, value.split(":"))
        except ValueError:
            raise wrong from None
        if len(step) > 1 or not low < high or (step and not step[0] > 0.0):
            raise wrong
        found[role] = low, high, step[0] if step else 0.0, ()
    return found
