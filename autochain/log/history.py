"""What the last masters have in common, read from the log.

A habit is told only where it is consistent: over five masters or more that were compared with their mixes, the change
has the same sign in four of five or more of them, and its median is 0.5 dB or more. Limits: common practice, no source.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Any

LAST_MASTERS = 20
FEWEST = 5
SAME_SIGN = 0.8
LEAST_DB = 0.5

# Ranges of third octaves that are spoken of as one; from and to by nominal frequency.
RANGES: tuple[tuple[str, float, float], ...] = (
    ("bass", 25.0, 125.0),
    ("low mids", 160.0, 500.0),
    ("mids", 630.0, 2000.0),
    ("presence", 2500.0, 5000.0),
    ("top", 6300.0, 16000.0),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class LoggedMaster:
    """One master of the history.

    Attributes
    ----------
    time
        When it was logged, UTC, as ISO 8601.
    command
        `compare` for a master that was compared with its mix, else `suggest`, `album` or `render`: as planned.
    file
        Base name of the master, or of the mix where there is no master file.
    before, after
        Key figures; empty where none were kept.
    changes
        Change at equal loudness of each range of `RANGES`, of the `width` and of the `hits`, in dB.
    """

    time: str
    command: str
    file: str
    before: Mapping[str, float | None]
    after: Mapping[str, float | None]
    changes: Mapping[str, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Habit:
    """A change that nearly all masters share.

    Attributes
    ----------
    name
        Range, `width` or `hits`.
    median_db
        Median change over the masters.
    same, count
        How many have its sign, of how many.
    """

    name: str
    median_db: float
    same: int
    count: int


@dataclass(frozen=True, slots=True, kw_only=True)
class History:
    """The last masters, oldest first; `compared` of them count for habits.

    `left_out` counts attempts in the log that were stopped or missed their target: no masters.
    """

    masters: tuple[LoggedMaster, ...]
    compared: int
    habits: tuple[Habit, ...]
    left_out: int = 0


def history_of(entries: Sequence[Mapping[str, Any]], last: int = LAST_MASTERS) -> History:
    """Gather the last masters from the entries of a log.

    One mix counts once: with the last comparison made of it, or else with the last thing logged of it. A search that
    was stopped and a target that was missed count for nothing.

    Parameters
    ----------
    entries
        In the order of the log.
    last
        How many masters at most.
    """
    chosen: dict[str, tuple[int, Mapping[str, Any]]] = {}
    ended = [entry for entry in entries if entry.get("complete") is not False and entry.get("met") is not False]
    for place, entry in enumerate(ended):
        key = entry["mix"]["sha256"]
        known = chosen.get(key)
        if known is None or entry["command"] == "compare" or known[1]["command"] != "compare":
            chosen[key] = (place, entry)
    newest = sorted(chosen.values(), key=lambda one: one[0])[-last:]
    masters = tuple(_master(entry) for _, entry in newest)
    compared = [one for one in masters if one.command == "compare"]
    return History(
        masters=masters,
        compared=len(compared),
        habits=tuple(_habits(compared)),
        left_out=len(entries) - len(ended),
    )


def _master(entry: Mapping[str, Any]) -> LoggedMaster:
    thirds = {float(hz): db for hz, db in entry["thirds_db"].items() if db is not None}
    changes = {}
    for name, low_hz, high_hz in RANGES:
        inside = [db for hz, db in thirds.items() if low_hz <= hz <= high_hz]
        if inside:
            changes[name] = sum(inside) / len(inside)
    for name, key in (("width", "width_db"), ("hits", "onset_db")):
        if entry["change"].get(key) is not None:
            changes[name] = entry["change"][key]
    return LoggedMaster(
        time=entry["time"],
        command=entry["command"],
        file=(entry["master"] or entry["mix"])["file"],
        before=entry["before"],
        after=entry["after"],
        changes=changes,
    )


def _habits(masters: Sequence[LoggedMaster]) -> list[Habit]:
    found = []
    for name in (*(name for name, _, _ in RANGES), "width", "hits"):
        values = [one.changes[name] for one in masters if name in one.changes]
        if len(values) < FEWEST:
            continue
        middle = median(values)
        same = sum(value * middle > 0.0 for value in values)
        if abs(middle) >= LEAST_DB and same >= SAME_SIGN * len(values):
            found.append(Habit(name=name, median_db=middle, same=same, count=len(values)))
    return sorted(found, key=lambda habit: -abs(habit.median_db))
