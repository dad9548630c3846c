"""Parts of the Markdown sheet as HTML: the words stand in one place, and the page shows the same."""

import re
from collections.abc import Iterator

from markdown_it import MarkdownIt

# Raw HTML stays text, and nothing becomes a link.
_READER = MarkdownIt("commonmark", {"html": False}).enable("table").disable(["link", "image", "autolink"])
# What the reader above makes of tables; heads are plain words.
_TABLE, _ROW = re.compile("<table>.*?</table>", re.DOTALL), re.compile("<tr>.*?</tr>", re.DOTALL)
_HEAD, _CELL = re.compile("<th[^>]*>([^<]*)</th>"), re.compile("<td")
_FEWEST_STACKED = 4  # columns: three fit on a phone


def sections(markdown: str) -> Iterator[tuple[str, str]]:
    """Heading and text of every section; what stands before the first `##` has its `#` heading."""
    heading, lines = "", list[str]()
    for one in markdown.splitlines():
        if one.startswith(("# ", "## ")):
            if heading:
                yield heading, "\n".join(lines)
            heading, lines = one.lstrip("#").strip(), []
        else:
            lines.append(one)
    yield heading, "\n".join(lines)


def html(markdown: str) -> str:
    """HTML of a section; every table in a box that scrolls by itself, a wide one made to be stacked on a phone."""
    return _TABLE.sub(_boxed, str(_READER.render(markdown)))


def _boxed(found: re.Match[str]) -> str:
    heads = _HEAD.findall(found[0])
    if len(heads) < _FEWEST_STACKED:
        return f'<div class="wide">{found[0]}</div>'
    rows = _ROW.sub(lambda row: _named(row[0], heads), found[0])
    return f'<div class="wide stack">{rows}</div>'


def _named(row: str, heads: list[str]) -> str:
    """A row whose cells know what stands over them."""
    left = iter(heads)
    return _CELL.sub(lambda _: f'<td data-head="{next(left)}"', row)


def inline(markdown: str) -> str:
    """HTML of one line without a paragraph around it."""
    return str(_READER.renderInline(markdown))
