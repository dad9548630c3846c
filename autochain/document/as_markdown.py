"""Blocks as Markdown (CommonMark with tables); pictures and players are left to the page."""

import re
from collections.abc import Iterable, Sequence

from autochain.document.blocks import (
    Block,
    Code,
    Figure,
    Folded,
    Heading,
    Inline,
    Line,
    Listed,
    Paragraph,
    Part,
    Player,
    Soft,
    Strong,
    Table,
    Verbatim,
    inlines,
)

# CommonMark 0.31.2, sections 2.4, 2.5 and 6: what may be a sign inside a line. An underscore inside a word is none.
_SIGNS = re.compile(r"([*`<\[]|\\(?=[!-/:-@\[-`{-~])|(?<!\w)_|_(?!\w)|&(?=#?\w+;))")


def markdown(blocks: Iterable[Block]) -> str:
    """Text with a final newline; one empty line between blocks."""
    return "\n\n".join("\n".join(lines) for lines in _written(blocks)) + "\n"


def plain(text: str) -> str:
    """Text on one line, without a sign that Markdown would take for its own."""
    shown = "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text)
    return _SIGNS.sub(r"\\\1", shown)


def _written(blocks: Iterable[Block]) -> Iterable[Sequence[str]]:
    for block in blocks:
        match block:
            case Heading(text=text, level=level):
                yield [f"{'#' * level} {_one_line(text)}"]
            case Paragraph(text=text):
                yield [_line(text)]
            case Listed(items=items, numbered=numbered):
                yield [f"{f'{place}.' if numbered else '-'} {_one_line(item)}" for place, item in enumerate(items, 1)]
            case Table(head=head, rows=rows):
                yield [_row(head), _row("---" for _ in head), *map(_row, rows)]
            case Verbatim(lines=lines):
                yield ["```", *lines, "```"]
            case Part(blocks=inside, only=only):
                if only != "page":
                    yield from _written(inside)
            case Folded(title=title, blocks=inside):
                yield from _written([title if isinstance(title, Heading) else Paragraph(title)])
                yield from _written(inside)
            case Figure() | Player():
                pass


def _line(line: Line) -> str:
    return "".join(map(_inline, inlines(line)))


def _one_line(line: Line) -> str:
    """A line where only one fits: a break in it, of a file's name above all, is spelt out."""
    return _line(line).replace("\n", "\\n")


def _inline(one: Inline) -> str:
    match one:
        case str():
            return "\n".join(map(plain, one.split("\n")))  # as a page does: only sentences of ours have lines
        case Strong(words=words):
            return f"**{plain(words)}**"
        case Soft(words=words):
            return f"*{plain(words)}*"
        case Code(words=words):
            return f"`{words}`"
    # Links and times are for the page, and a file's name needs no mark here.
    return plain(one.words)


def _row(cells: Iterable[Line]) -> str:
    return "| " + " | ".join(_one_line(cell).replace("|", "\\|") for cell in cells) + " |"
