"""README, developers' page and docs: how long they may be, and that what they name is there."""

import ast
import inspect
import re
import tomllib
from itertools import pairwise
from pathlib import Path

import pytest
import typer

import autochain
from autochain.chain.chain import STAGES
from autochain.cli.main import _COMMANDS, _app
from tests.docs.examples import PAGES, TOP, python_blocks
from tests.test_layers import LAYERS

DECISIONS = sorted((TOP / "docs" / "decisions").glob("*.md"))
DOCUMENTS = [*PAGES, TOP / "DEVELOPERS.md", TOP / "CHANGELOG.md", *DECISIONS]

_ENDS = ("csv", "html", "json", "md", "py", "toml", "wav")  # of files: `check.html` is no setting
_LINK = re.compile(r"(?<!!)\[[^\]]*\]\(([^)\s]+)\)")
_CODE = re.compile(r"`([^`\n]+)`")
_FENCED = re.compile(r"^```sh\n(.*?)^```", re.M | re.S)


def text_of(page: Path) -> str:
    return page.read_text(encoding="utf-8")


def named(page: Path) -> str:
    return str(page.relative_to(TOP))


def anchors(page: Path) -> set[str]:
    heads = re.findall(r"^#+ (.*)$", text_of(page), flags=re.M)
    return {re.sub(r"[^\w\- ]", "", head.lower()).replace(" ", "-") for head in heads}


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md"])
def test_it_fits_two_screens(name: str) -> None:
    # 8 kB: a limit of this project.
    assert len((TOP / name).read_bytes()) <= 8192


def test_every_page_is_tested_and_listed() -> None:
    folder = TOP / "docs"
    assert set(folder.glob("*.md")) == set(PAGES[1:])
    listed = _LINK.findall(text_of(folder / "README.md"))
    assert {page.name for page in PAGES[2:]} <= set(listed)
    index = _LINK.findall(text_of(folder / "decisions" / "README.md"))
    assert sorted(index) == [page.name for page in DECISIONS if page.name != "README.md"]


@pytest.mark.parametrize("page", DOCUMENTS, ids=named)
def test_every_link_leads_somewhere(page: Path) -> None:
    for link in _LINK.findall(text_of(page)):
        assert not link.startswith("http"), f"{link}: pages need nothing from elsewhere"
        path, _, anchor = link.partition("#")
        target = (page.parent / path).resolve() if path else page
        assert target.exists(), link
        assert not anchor or anchor in anchors(target), link


@pytest.mark.parametrize("page", [page for page in DECISIONS if page.name != "README.md"], ids=named)
def test_a_decision_has_a_date_and_its_three_parts(page: Path) -> None:
    text = text_of(page)
    assert re.search(r"^20\d\d-\d\d-\d\d$", text, flags=re.M)
    parts = [text.find(f"**{part}**") for part in ("Decided.", "Measured.", "What would change it.")]
    assert -1 not in parts
    assert all(a < b for a, b in pairwise(parts))


def test_the_map_has_every_package_in_the_order_of_imports() -> None:
    name = r"`[a-z]+(?:/|\.py)`"
    rows = re.findall(rf"^\| ({name}(?:, {name})*) \|", text_of(TOP / "DEVELOPERS.md"), flags=re.M)
    assert re.findall(r"`([a-z]+)", " ".join(rows)) == list(LAYERS)


def options_by_command() -> dict[str, set[str]]:
    group = typer.main.get_command(_app(_COMMANDS))
    return {
        name: {
            option
            for one in (command, *getattr(command, "commands", {}).values())  # a group's commands have its options
            for parameter in one.params
            for option in (*parameter.opts, *parameter.secondary_opts)
        }
        for name, command in group.commands.items()  # type: ignore[attr-defined]
    }


def commands_in(page: Path) -> list[tuple[str, list[str]]]:
    """Every command that a page names with its options: in code, in a block to paste, and behind an example."""
    text = text_of(page)
    spans = _CODE.findall(re.sub(r"^```.*?^```$", "", text, flags=re.M | re.S))
    lines = [line.split("#")[0] for block in _FENCED.findall(text) for line in block.splitlines()]
    hidden = re.findall(r"<!-- (?:made by|first): (.*?)(?: \| .*)? -->", text)
    found = []
    for one in (*spans, *lines, *hidden):
        words = re.search(r"(?:^|[\s/])autochain ([a-z]\S*)(.*)", one)
        if words:
            found.append((words[1], re.findall(r"(?<!\S)(-[a-z]|--[a-z][a-z-]*)", words[2])))
    return found


@pytest.mark.parametrize("page", PAGES, ids=named)
def test_every_command_and_option_is_there(page: Path) -> None:
    known = options_by_command()
    everywhere = set().union(*known.values())
    for command, options in commands_in(page):
        assert command in known, command
        assert set(options) <= known[command], (command, options)
    for span in _CODE.findall(text_of(page)):
        words = span.split()
        if words[0] in known:  # `suggest --reference song.wav`
            assert set(re.findall(r"(?<!\S)--[a-z-]+", span)) <= known[words[0]], span
        elif span.startswith("--"):
            assert re.findall(r"(?<!\S)--[a-z-]+", span)[0] in everywhere, span


@pytest.mark.parametrize("page", [*PAGES, TOP / "DEVELOPERS.md", *DECISIONS], ids=named)
def test_every_setting_is_there(page: Path) -> None:
    """Names such as `limiter.release_ms`, and keys of the configuration such as `search.budget`."""
    default = tomllib.loads((TOP / "configs" / "default.toml").read_text(encoding="utf-8"))
    code = "\n".join([*_CODE.findall(text_of(page)), *_FENCED.findall(text_of(page))])
    for place, name in re.findall(r"(?<![\w/.-])([a-z_]+)\.([a-z][a-z0-9_]*)(?![\w/]|\.[a-z])", code):
        if name in _ENDS:
            continue
        if place in STAGES:
            STAGES[place].parameter(name)  # an error where there is none
        elif place in default:
            assert name in default[place], f"{place}.{name}"


@pytest.mark.parametrize("page", PAGES, ids=named)
def test_every_value_that_is_locked_can_be_set(page: Path) -> None:
    text = text_of(page)
    code = "\n".join([*_CODE.findall(text), *_FENCED.findall(text)])
    for place, name, value in re.findall(r"(?<![\w/.-])([a-z_]+)\.([a-z][a-z0-9_]*)=([^\s`,]+)", code):
        if place in STAGES:
            STAGES[place].parameter(name).parsed(value, named(page))  # an error where it cannot


def test_the_python_page_calls_what_there_is() -> None:
    for block in python_blocks(text_of(TOP / "docs" / "python.md")):
        for node in ast.walk(ast.parse(block)):
            if isinstance(node, ast.Call) and ast.unparse(node.func).startswith("autochain."):
                function = getattr(autochain, ast.unparse(node.func).removeprefix("autochain."))
                given = {keyword.arg: None for keyword in node.keywords if keyword.arg}
                inspect.signature(function).bind(*node.args, **given)


def test_nobody_is_told_to_install_the_bare_name() -> None:
    """On the public index that name is another project's."""
    for page in DOCUMENTS:
        assert not re.search(r"pip install (?:-q )?['\"]?autochain", text_of(page)), page


def test_the_lines_to_paste_are_those_that_the_checks_run() -> None:
    text = text_of(TOP / "README.md")
    lines = re.findall(r"^python3 -m venv .*$", text, flags=re.M)
    assert len(lines) == 2
    assert lines[0].endswith("pip install -q . && .venv/bin/autochain demo")
    assert lines[1].endswith("pip install -q '.[test]' && .venv/bin/python -m pytest")
