"""A self-contained page: no script, no font, no file from elsewhere; for light and dark, phone and paper."""

import base64
import hashlib
from collections.abc import Iterable, Sequence
from html import escape
from urllib.parse import quote

STYLE = """
:root { color-scheme: light dark; --paper: #faf8f3; --ink: #26241f; --soft: #6d675b; --rule: #d9d3c4;
  --tint: #cbd8d3; --mark: #2f5d62; --other: #a3672b; }
@media (prefers-color-scheme: dark) { :root { --paper: #1d1c1a; --ink: #e9e5db; --soft: #a59e8f; --rule: #3d3a34;
  --tint: #33403f; --mark: #8fc1c0; --other: #dba878; } }
body { margin: 0 auto; max-width: 46rem; padding: 1rem; background: var(--paper); color: var(--ink);
  font: 1rem/1.5 Georgia, 'Times New Roman', serif; overflow-wrap: anywhere; }
h1 { font-size: 1.35rem; line-height: 1.25; } h2 { font-size: 1.05rem; margin-top: 2rem; } a { color: var(--mark); }
.contents { list-style: none; padding: 0; font-size: .9rem; }
.contents li { display: inline-block; margin: .15rem 1.1rem .15rem 0; }
p.lead { font-size: 1.1rem; } p.soft, figcaption { color: var(--soft); font-size: .9rem; }
li { margin: .35rem 0; } .ranked > li:first-child { font-weight: bold; }
code { font-size: .85em; } figure { margin: 1rem 0; } svg { width: 100%; height: auto; display: block; }
svg text { font: 11px sans-serif; fill: var(--soft); stroke: var(--paper); stroke-width: 3px; paint-order: stroke; }
pre { font-size: .75rem; white-space: pre-wrap; }
.grid, .zero, .stem { stroke: var(--rule); fill: none; } .zero { stroke: var(--ink); }
.bar { fill: var(--mark); } .tick { stroke: var(--other); stroke-width: 2; fill: none; }
.area { fill: var(--tint); stroke: var(--soft); } .line { stroke: var(--mark); stroke-width: 1.8; fill: none; }
.second { stroke: var(--other); stroke-width: 1.6; stroke-dasharray: 6 4; fill: none; }
.pair { display: grid; grid-template-columns: repeat(auto-fit, minmax(17rem, 1fr)); gap: 0 1.5rem; }
.ring { fill: var(--paper); stroke: var(--other); stroke-width: 1.5; } .dot { fill: var(--mark); }
.dot.out { fill: var(--other); }
.wide { overflow-x: auto; } table { border-collapse: collapse; width: 100%; font-size: .9rem;
  font-variant-numeric: tabular-nums; overflow-wrap: normal; }
th, td { text-align: right; padding: .2rem .5rem; border-bottom: 1px solid var(--rule); white-space: nowrap; }
th { white-space: normal; vertical-align: bottom; } td bdi { overflow-wrap: anywhere; }
th:first-child, td:first-child { text-align: left; white-space: normal; }
@media (max-width: 36rem) {
  .stack thead { display: none; } .stack tr { display: block; padding: .4rem 0; border-bottom: 1px solid var(--rule); }
  .stack td { display: inline-block; border: 0; padding: 0 .8rem 0 0; }
  .stack td:first-child { display: block; font-weight: bold; }
  .stack td:not(:first-child)::before { content: attr(data-head) " "; color: var(--soft); }
  .stack td:empty::before { content: none; } }
@media print { :root { --paper: #fff; --ink: #000; --soft: #444; --rule: #bbb; --tint: #e4e4e4; --mark: #000;
  --other: #666; } figure, tr, li { break-inside: avoid; } body { max-width: none; }
  .contents { display: none; } a { color: inherit; text-decoration: none; }
  table { font-size: .7rem; } th, td { white-space: normal; } .wide { overflow: visible; } }
""".strip()


def page(title: str, body: Iterable[str], more_style: str = "", script: str = "", *, loads: bool = False) -> str:
    """Whole document; `title` is text, `body` is HTML whose texts have been escaped.

    Its policy allows this very style and script, sound from inside the page, and nothing from anywhere else; with
    `loads` also scripts that this very script asks for.
    """
    style = f"\n{STYLE}\n{more_style}\n"
    allowed = f"'{_hash(script)}'" + (" 'strict-dynamic'" if loads else "") if script else "'none'"
    policy = f"default-src 'none'; style-src '{_hash(style)}'; script-src {allowed}; media-src data: blob:"
    return (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{text(title)}</title>\n<style>{style}</style>\n</head>\n<body>\n"
        + "\n".join(body)
        + (f"\n<script>{script}</script>" if script else "")
        + "\n</body>\n</html>\n"
    )


def _hash(inside: str) -> str:
    """Of what stands between the tags, as a content security policy (W3C CSP Level 3) names it."""
    return "sha256-" + base64.b64encode(hashlib.sha256(inside.encode()).digest()).decode()


def text(words: str) -> str:
    """Words as text: nothing in them is markup, and signs that turn or break lines are spelt out."""
    return escape(spelt(words))


def spelt(words: str) -> str:
    """Words on one line from left to right: signs that turn or break lines are spelt out."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in words)


def address(name: str) -> str:
    """A file beside the page, as an address: a name may hold any byte."""
    return "./" + quote(name, errors="surrogateescape")


def element(name: str, words: str, kind: str = "") -> str:
    """One element around escaped words."""
    return f'<{name} class="{kind}">{text(words)}</{name}>' if kind else f"<{name}>{text(words)}</{name}>"


def items(words: Iterable[str], kind: str = "", name: str = "ul") -> str:
    """List of escaped words."""
    return f'<{name} class="{kind}">' + "".join(element("li", one) for one in words) + f"</{name}>"


def grid(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Table of escaped words that scrolls by itself where it is too wide."""
    top = "".join(element("th", cell.strip()) for cell in head)
    body = "".join("<tr>" + "".join(element("td", cell) for cell in row) + "</tr>" for row in rows)
    return f'<div class="wide"><table><thead><tr>{top}</tr></thead><tbody>{body}</tbody></table></div>'


def figure(svg: str, caption: str) -> str:
    """Picture with its words under it."""
    return f"<figure>{svg}<figcaption>{text(caption)}</figcaption></figure>"
