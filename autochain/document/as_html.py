"""Blocks as HTML for the page of `shell`."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace

from autochain.document.blocks import (
    Block,
    Code,
    Figure,
    FileName,
    Folded,
    Heading,
    Inline,
    Line,
    Link,
    Listed,
    Paragraph,
    Part,
    Player,
    Soft,
    Strong,
    Table,
    Time,
    Verbatim,
    inlines,
)
from autochain.document.shell import figure, text

_FEWEST_STACKED = 4  # columns: three fit on a phone, more are stacked there, each cell under its own head


def html(blocks: Iterable[Block]) -> Iterator[str]:
    """One piece of HTML a block."""
    for block in blocks:
        match block:
            case Heading(text=words, level=level, mark=mark):
                yield f"<h{level}{_attribute('id', mark)}>{line_html(words)}</h{level}>"
            case Paragraph(text=words, role=role):
                yield f"<p{_attribute('class', role)}>{line_html(words)}</p>"
            case Listed(items=items, numbered=numbered, role=role):
                name = "ol" if numbered else "ul"
                inside = "".join(f"<li>{line_html(item)}</li>" for item in items)
                yield f"<{name}{_attribute('class', role)}>{inside}</{name}>"
            case Table(head=head, rows=rows, role=role):
                yield _table(head, rows, role)
            case Verbatim(lines=lines):
                yield f"<pre>{text_of(lines)}</pre>"
            case Figure(svg=svg, caption=caption):
                yield figure(svg, caption)
            case Player(html=controls):
                yield controls
            case Part(blocks=inside, role=role, mark=mark, only=only):
                if only == "text":
                    continue
                if not (role or mark):
                    yield from html(inside)
                    continue
                yield f"<section{_attribute('id', mark)}{_attribute('class', role)}>"
                yield from html(inside)
                yield "</section>"
            case Folded(title=title, blocks=inside, opened=opened):
                # The mark goes inside: what is asked for there is opened by a browser.
                mark = title.mark if isinstance(title, Heading) else ""
                shown = "".join(html([replace(title, mark="")])) if isinstance(title, Heading) else line_html(title)
                yield f"<details{' open' if opened else ''}><summary>{shown}</summary>"
                yield from html([Part(inside, mark=mark)])
                yield "</details>"


def line_html(words: Line) -> str:
    """One line, its texts escaped."""
    return "".join(map(_inline, inlines(words)))


def text_of(lines: Iterable[str]) -> str:
    """Escaped lines, each on its own."""
    return "\n".join(map(text, lines))


def _inline(one: Inline) -> str:
    match one:
        case str():
            return text_of(one.split("\n"))
        case Strong(words=words):
            return f"<strong>{text(words)}</strong>"
        case Soft(words=words):
            return f"<em>{text(words)}</em>"
        case Code(words=words):
            return f"<code>{text(words)}</code>"
        case FileName(words=words):
            return f"<bdi>{text(words)}</bdi>"
        case Link(words=words, href=href):
            return f'<a href="{text(href)}"><bdi>{text(words)}</bdi></a>'
        case Time(words=words, from_s=from_s, song=song):
            which = "" if song is None else f' data-song="{song}"'
            return f'<span data-time="{from_s:.2f}"{which}>{text(words)}</span>'


def _table(head: Sequence[str], rows: Sequence[Sequence[Line]], role: str) -> str:
    stacked = len(head) >= _FEWEST_STACKED
    kind = " ".join(filter(None, ("wide", "stack" if stacked else "", role)))
    top = "".join(f"<th>{text(cell.strip())}</th>" for cell in head)
    body = "".join(
        "<tr>"
        + "".join(
            f"<td{_attribute('data-head', name.strip()) if stacked else ''}>{line_html(cell)}</td>"
            for name, cell in zip(head, row, strict=True)
        )
        + "</tr>"
        for row in rows
    )
    return f'<div class="{kind}"><table><thead><tr>{top}</tr></thead><tbody>{body}</tbody></table></div>'


def _attribute(name: str, value: str) -> str:
    return f' {name}="{text(value)}"' if value else ""
