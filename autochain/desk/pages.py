"""Templates filled in, blocks of reports as parts of a page, and the files that pages load."""

import re
from collections.abc import Iterable
from importlib.resources import files
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape
from markupsafe import Markup

from autochain.document.as_html import html
from autochain.document.blocks import Block
from autochain.document.shell import STYLE, text
from autochain.page.findings_part import packaged

_HEADING = re.compile(r"(</?h)([1-6])(?=[ >])")
_MEDIA_TYPES = {"css": "text/css", "js": "text/javascript"}
_SECOND = "<h4"  # of a report's parts, where `report_html` has put them
_OWN = re.compile(r"[a-z_]+\.(css|js)")
_ENVIRONMENT = Environment(
    loader=PackageLoader("autochain.desk"),
    autoescape=select_autoescape(),
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
)
_ENVIRONMENT.filters["spelt"] = lambda words: Markup(text(words))  # signs that turn or break lines are spelt out
_TIME = re.compile(r'<span(?: class="time")? data-time="([\d.]+)">([^<]*)</span>')


def rendered(template: str, **facts: Any) -> str:
    """One template with facts filled in; what is text is escaped."""
    return _ENVIRONMENT.get_template(template).render(**facts)


def blocks_html(blocks: Iterable[Block]) -> Markup:
    """Blocks of a report as HTML; every time in them is a button, from which the player plays."""
    return Markup(_TIME.sub(r'<button type="button" class="time" data-time="\1">\2</button>', "\n".join(html(blocks))))


def report_html(blocks: Iterable[Block]) -> Markup:
    """A whole report as part of a page: its headings stand under those of the page."""
    return Markup(_HEADING.sub(lambda found: f"{found[1]}{min(6, int(found[2]) + 2)}", blocks_html(blocks)))


def folded(report: Markup) -> Markup:
    """A report whose parts behind the first are folded: what comes first is what one looks for."""
    first, heading, rest = report.partition(_SECOND)
    if not rest:
        return report
    return Markup(f'{first}<details data-key="more"><summary>all figures</summary>\n{heading}{rest}</details>')


def static(name: str) -> tuple[bytes, str] | None:
    """A file that pages load, with its media type; None where there is none of that name."""
    if name == "sheet.css":  # the look of the reports, which the desk's pages begin from
        own = files("autochain.curve").joinpath("style.css").read_text(encoding="utf-8")
        style = "\n".join((STYLE, packaged("closeups.css"), own))
        return style.encode(), "text/css"
    own_file = files("autochain.desk").joinpath(name)
    matched = _OWN.fullmatch(name)
    return (own_file.read_bytes(), _MEDIA_TYPES[matched[1]]) if matched and own_file.is_file() else None
