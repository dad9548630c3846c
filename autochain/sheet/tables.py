"""Tables and plain text in Markdown."""

import re
from collections.abc import Iterable


def row(cells: Iterable[str]) -> str:
    """One row of a table."""
    return "| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |"


def table(head: list[str], rows: Iterable[list[str]]) -> list[str]:
    """Lines of a table."""
    return [row(head), row("---" for _ in head), *(row(r) for r in rows)]


def plain(text: str) -> str:
    """Text of a file name on one line, without a sign that Markdown would take for its own."""
    shown = "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text)
    return re.sub(r"([*`<\[])", r"\\\1", shown)
