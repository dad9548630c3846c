"""The history as Markdown, as a self-contained page, and as JSON."""

from collections.abc import Iterator
from dataclasses import asdict

from autochain.compare.as_json import dumped
from autochain.document.as_html import html
from autochain.document.as_markdown import markdown
from autochain.document.blocks import Block, Figure, FileName, Heading, Listed, Paragraph, Part, Table, table
from autochain.document.rows import Row, row_chart
from autochain.document.shell import page
from autochain.log.history import FEWEST, LEAST_DB, RANGES, Habit, History
from autochain.units import frequency, number

_TITLE = "The last masters"
_EMPTY = "The log holds no master yet: suggest, album, render and compare write to it."
_COLUMNS = (
    "PLR: peak to loudness. Ranges and width: change from mix to master at equal loudness, dB. In brackets: planned "
    "here, not yet compared with its mix."
)
_PICTURES = (
    ("integrated_lufs", "LUFS", "Integrated loudness. Ring: the mix; dot: the master."),
    ("plr_db", "dB", "Peak to loudness (PLR). Ring: the mix; dot: the master."),
)
_MOST_DRAWN = 40


def history_to_markdown(history: History) -> str:
    """One page with a final newline."""
    return markdown(_blocks(history))


def history_to_html(history: History) -> str:
    """Whole document with a final newline."""
    return page(_TITLE, html(_blocks(history)))


def history_to_json(history: History) -> str:
    """JSON text with a final newline."""
    return dumped(
        {
            "format_version": 1,
            "compared": history.compared,
            "left_out": history.left_out,
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
        yield f"Compared with their mixes: {history.compared}. A habit needs {FEWEST} or more."
        return
    if not history.habits:
        yield (
            f"No habit: nothing moved the same way in four of five masters by a median of {number(LEAST_DB, 'dB')} or "
            f"more. Compared with their mixes: {history.compared}."
        )
    yield from map(_habit, history.habits)


def _habit(habit: Habit) -> str:
    size, up = f"by {number(abs(habit.median_db), 'dB')} (median)", habit.median_db > 0.0
    times = f"In {habit.same} of {habit.count} masters"
    louder = "louder" if up else "quieter"
    if habit.name == "width":
        return f"{times} the sides are {louder} against the mid than in the mix, {size}."
    if habit.name == "hits":
        return f"{times} hits {'gain' if up else 'lose'} edge, {size}."
    low, high = next((low, high) for name, low, high in RANGES if name == habit.name)
    verb = "are" if habit.name.endswith("mids") else "is"
    way = louder if habit.name != "top" else "brighter" if up else "darker"
    span = f"{frequency(low)} to {frequency(high)}"
    return f"{times} the {habit.name} ({span}) {verb} {way} than in the mix, {size}."


def _blocks(history: History) -> Iterator[Block]:
    yield Heading(_TITLE, 1)
    if not history.masters:
        yield Paragraph(_EMPTY)
        yield from _left_out(history)
        return
    yield Listed(tuple(habit_lines(history)))
    yield from _left_out(history)
    yield Part(tuple(_pictures(history)), only="page")
    yield _table(history)
    yield Paragraph(_COLUMNS, "soft")


def _left_out(history: History) -> Iterator[Paragraph]:
    count = history.left_out
    if count:
        yield Paragraph(
            f"Left out: {count} {'attempt that was' if count == 1 else 'attempts that were'} stopped or missed "
            f"{'its' if count == 1 else 'their'} target.",
            "soft",
        )


def _pictures(history: History) -> Iterator[Figure]:
    for key, unit, caption in _PICTURES:
        rows = []
        for one in history.masters[-_MOST_DRAWN:]:
            was, now = one.before.get(key), one.after.get(key)
            if was is not None and now is not None:
                words = f"{one.file}: {number(was)} to {number(now, unit)}"
                rows.append(Row(name=one.file, words=words, value=now, before=was))
        if rows:
            yield Figure(row_chart(caption, unit, rows), caption)


def _table(history: History) -> Table:
    changed = (*(name for name, _, _ in RANGES), "width")
    head = ["date", "master", "master LUFS", "mix LUFS", "true peak dBTP", "master PLR dB", "mix PLR dB", *changed]
    rows = (
        [
            one.time[:10],
            FileName(one.file) if one.command == "compare" else ("(", FileName(one.file), ")"),
            number(one.after.get("integrated_lufs")),
            number(one.before.get("integrated_lufs")),
            number(one.after.get("true_peak_dbtp")),
            number(one.after.get("plr_db")),
            number(one.before.get("plr_db")),
            *(number(one.changes.get(name), signed=True) for name in changed),
        ]
        for one in history.masters
    )
    return table(head, rows)
