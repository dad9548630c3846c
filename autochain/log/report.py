"""The history as Markdown, as a self-contained page, and as JSON."""

from collections.abc import Iterator
from dataclasses import asdict

from autochain.compare.as_json import dumped
from autochain.document.charts import dot_chart
from autochain.document.shell import element, figure, grid, items, page
from autochain.log.history import FEWEST, LEAST_DB, RANGES, Habit, History, Master
from autochain.sheet.tables import plain, table
from autochain.units import frequency, number

TITLE = "The last masters"
EMPTY = "The log holds no master yet: suggest, album, render and compare write to it."
HEAD = ["#", "date", "master", "loudness", "was", "true peak", "crest (PLR)", "was", *(r[0] for r in RANGES), "width"]
COLUMNS = (
    "Loudness in LUFS and peak to loudness, after and before; then the change of each range of the spectrum and of the "
    "width, in dB, at equal loudness. A master in brackets was planned here and not compared with its mix since."
)
_PICTURES = (
    ("integrated_lufs", "LUFS", "Integrated loudness. Ring: the mix; dot: the master. Numbers as in the table."),
    ("plr_db", "dB", "Peaks over loudness (PLR). Ring: the mix; dot: the master."),
)


def history_to_markdown(history: History) -> str:
    """One page with a final newline."""
    lines = [f"# {TITLE}", ""]
    if not history.masters:
        return "\n".join([*lines, EMPTY]) + "\n"
    lines += [f"- {line}" for line in habit_lines(history)]
    lines += ["", *table(HEAD, ([plain(cell) for cell in row] for row in _rows(history))), "", COLUMNS]
    return "\n".join(lines) + "\n"


def history_to_html(history: History) -> str:
    """Whole document with a final newline."""
    return page(TITLE, _body(history))


def history_to_json(history: History) -> str:
    """JSON text with a final newline."""
    return dumped(
        {
            "format_version": 1,
            "compared": history.compared,
            "habits": [asdict(habit) for habit in history.habits],
            "masters": [asdict(master) for master in history.masters],
        }
    )


def habit_lines(history: History) -> Iterator[str]:
    """Sentences about the loudness and the habits."""
    levels = [one.after.get("integrated_lufs") for one in history.masters]
    known = [level for level in levels if level is not None]
    if len(known) == 1:
        yield f"One master, at {number(known[0], 'LUFS')}."
    elif known:
        yield f"{len(known)} masters, between {number(min(known), 'LUFS')} and {number(max(known), 'LUFS')}."
    if history.compared < FEWEST:
        yield f"Compared with their mixes: {history.compared}. Habits are told from {FEWEST} on."
        return
    if not history.habits:
        yield (
            f"No habit: nothing moved the same way by {number(LEAST_DB, 'dB')} or more in four of five of the "
            f"{history.compared} that were compared with their mixes."
        )
    yield from map(_habit, history.habits)


def _habit(habit: Habit) -> str:
    size = number(abs(habit.median_db), "dB")
    up = habit.median_db > 0.0
    times = f"in {habit.same} of {habit.count} masters (median)"
    if habit.name == "width":
        return f"The sides come out {size} {'wider' if up else 'narrower'} than in the mix, {times}."
    if habit.name == "hits":
        return f"Hits {'gain' if up else 'lose'} {size} of edge, {times}."
    low, high = next((low, high) for name, low, high in RANGES if name == habit.name)
    verb = "come" if habit.name.endswith("mids") else "comes"
    tone = "" if habit.name != "top" else ", brighter" if up else ", darker"
    span = f"{frequency(low)} to {frequency(high)}"
    return f"The {habit.name} ({span}) {verb} out {size} {'up' if up else 'down'} against the mix{tone}, {times}."


def _rows(history: History) -> Iterator[list[str]]:
    for place, one in enumerate(history.masters, 1):
        yield [
            str(place),
            one.time[:10],
            one.file if one.command == "compare" else f"({one.file})",
            number(one.after.get("integrated_lufs")),
            number(one.before.get("integrated_lufs")),
            number(one.after.get("true_peak_dbtp")),
            number(one.after.get("plr_db")),
            number(one.before.get("plr_db")),
            *(number(one.changes.get(name), signed=True) for name in (*(r[0] for r in RANGES), "width")),
        ]


def _body(history: History) -> Iterator[str]:
    yield element("h1", TITLE)
    if not history.masters:
        yield element("p", EMPTY)
        return
    yield items(habit_lines(history))
    for key, unit, caption in _PICTURES:
        both = [(k, one, one.before.get(key), one.after.get(key)) for k, one in enumerate(history.masters, 1)]
        shown = [(k, one, was, now) for k, one, was, now in both if was is not None and now is not None]
        if shown:
            places, masters, before, after = zip(*shown, strict=True)
            svg = dot_chart(caption, unit, [str(k) for k in places], [_named(m) for m in masters], before, after)
            yield figure(svg, caption)
    yield grid(HEAD, _rows(history))
    yield element("p", COLUMNS, "soft")


def _named(one: Master) -> str:
    return "".join(c if c.isprintable() else " " for c in one.file)
