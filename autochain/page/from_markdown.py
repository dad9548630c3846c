"""Parts of the Markdown sheet as HTML: the words stand in one place, and the page shows the same."""

from collections.abc import Iterator

from markdown_it import MarkdownIt

# Raw HTML stays text, and nothing becomes a link.
_READER = MarkdownIt("commonmark", {"html": False}).enable("table").disable(["link", "image", "autolink"])


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
    """HTML of a section; every table in a box that scrolls by itself."""
    made = str(_READER.render(markdown))
    return made.replace("<table>", '<div class="wide"><table>').replace("</table>", "</table></div>")


def inline(markdown: str) -> str:
    """HTML of one line without a paragraph around it."""
    return str(_READER.renderInline(markdown))
