"""What a report is made of: blocks of text, tables and pictures that each writer turns into its own format.

A report builds its blocks once; `as_markdown` and `as_html` write them. Every string in them is text: the writers
spell out what their format would take for a sign of its own.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal


@dataclass(frozen=True, slots=True)
class Strong:
    """Words that stand out."""

    words: str


@dataclass(frozen=True, slots=True)
class Soft:
    """Words that step back: a caution, an aside."""

    words: str


@dataclass(frozen=True, slots=True)
class Code:
    """What is typed as it stands: an option, a name in a file."""

    words: str


@dataclass(frozen=True, slots=True)
class FileName:
    """A name that somebody else has given; it may run from right to left."""

    words: str


@dataclass(frozen=True, slots=True)
class Link:
    """Words that lead to a file beside the page or to a place on it; on paper and in Markdown words alone."""

    words: str
    href: str


@dataclass(frozen=True, slots=True)
class Time:
    """A time of the song as text; a page that plays the song plays from `from_s` when it is pressed.

    `song` is which one, from 0 on, where a page plays several.
    """

    words: str
    from_s: float
    song: int | None = None


Inline = str | Strong | Soft | Code | FileName | Link | Time
Line = Inline | tuple[Inline, ...]


@dataclass(frozen=True, slots=True)
class Heading:
    """A title; level 1 is the report's own."""

    text: Line
    level: int = 2
    mark: str = ""


@dataclass(frozen=True, slots=True)
class Paragraph:
    """Sentences. In the role of `lead` they are read first, of `soft` they explain."""

    text: Line
    role: str = ""


@dataclass(frozen=True, slots=True)
class Listed:
    """Lines one under the other; `numbered` where their order means something."""

    items: Sequence[Line]
    numbered: bool = False
    role: str = ""


@dataclass(frozen=True, slots=True)
class Table:
    """Rows under a head, as wide as the head."""

    head: Sequence[str]
    rows: Sequence[Sequence[Line]]
    role: str = ""


@dataclass(frozen=True, slots=True)
class Figure:
    """A picture with its words; a page alone shows it."""

    svg: str
    caption: str


@dataclass(frozen=True, slots=True)
class Verbatim:
    """Lines that stand as they are, such as checksums."""

    lines: Sequence[str]


@dataclass(frozen=True, slots=True)
class Player:
    """Controls that a page alone has, as HTML whose texts have been escaped."""

    html: str


@dataclass(frozen=True, slots=True)
class Part:
    """Blocks that belong together.

    Attributes
    ----------
    blocks
        What it holds.
    role
        What the page's style calls it.
    mark
        Name that a link on the page leads to.
    only
        `page` or `text` for what the other format says in its own way; empty for both.
    """

    blocks: Sequence["Block"]
    role: str = ""
    mark: str = ""
    only: Literal["", "page", "text"] = ""


@dataclass(frozen=True, slots=True)
class Folded:
    """Blocks that a page folds away under their title, a line or a heading, until they are asked for.

    A link to the mark of a heading opens its fold.
    """

    title: Line | Heading
    blocks: Sequence["Block"]
    opened: bool = False


Block = Heading | Paragraph | Listed | Table | Figure | Verbatim | Player | Part | Folded


def inlines(line: Line) -> tuple[Inline, ...]:
    """Parts of a line, whether it has one or several."""
    return line if isinstance(line, tuple) else (line,)


def words(line: Line) -> str:
    """A line without any marks."""
    return "".join(one if isinstance(one, str) else one.words for one in inlines(line))


def contents(blocks: Iterable[Block]) -> Part:
    """The way to every marked heading among these blocks, for the top of a page."""
    links = [Link(words(one.text), f"#{one.mark}") for one in _headings(blocks) if one.mark]
    return Part([Listed(links, role="contents")], only="page")


def _headings(blocks: Iterable[Block]) -> Iterator[Heading]:
    for block in blocks:
        match block:
            case Heading():
                yield block
            case Folded(title=Heading() as title):
                yield title
            case Part(blocks=inside, only=only) if only != "text":
                yield from _headings(inside)


def fold(section: Sequence[Block], *, opened: bool = False) -> Iterator[Block]:
    """A section that begins with its heading, folded under it; nothing of an empty one."""
    match section:
        case [Heading() as title, *inside]:
            yield Folded(title, inside, opened)
        case [Part(blocks=[Heading() as title, *inside]) as whole]:
            yield Folded(title, [replace(whole, blocks=inside)], opened)


def table(head: Sequence[str], rows: Iterable[Sequence[Line]], role: str = "") -> Table:
    """Table of rows that may be an iterator."""
    return Table(head, tuple(tuple(row) for row in rows), role)
