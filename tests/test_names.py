"""No public name of the package means two things."""

import ast
from collections import defaultdict
from collections.abc import Iterator

from tests.test_layers import MODULES, PACKAGE

# Words that mean the same job in every room.
SAME_JOB = {
    "report", "report_page",  # the blocks of a report, and its page
    "to_csv", "to_html", "to_json", "to_markdown",  # a result as one file
    "STAGE", "latency_samples",  # what a module of the chain offers, and its delay
    "Floats", "Integers",  # arrays of compiled loops, which import nothing of ours
    # A command: its line, its job, its function in Python, and what it rests on.
    "album", "check", "compare", "curve", "demo", "measure", "render", "suggest",
}  # fmt: skip
# Keys of the sheet's JSON Schema are named by its classes, which inherit from what is measured: those names stay.
ON_THE_SHEET = {"Costs"}


def public_names(tree: ast.Module) -> Iterator[str]:
    """Classes, functions and constants of a module."""
    for node in tree.body:
        match node:
            case ast.ClassDef(name=name) | ast.FunctionDef(name=name):
                names = [name]
            case ast.Assign(targets=targets):
                parts = [part for t in targets for part in (t.elts if isinstance(t, ast.Tuple) else [t])]
                names = [part.id for part in parts if isinstance(part, ast.Name)]
            case ast.AnnAssign(target=ast.Name(id=name)):
                names = [name]
            case _:
                continue
        yield from {name for name in names if not name.startswith("_")}


def modules_by_name() -> dict[str, list[str]]:
    found = defaultdict[str, list[str]](list)
    for path in MODULES:
        for name in public_names(ast.parse(path.read_text(encoding="utf-8"))):
            found[name].append(str(path.relative_to(PACKAGE)))
    return found


def test_every_public_name_is_defined_in_one_module() -> None:
    twice = {name: modules for name, modules in modules_by_name().items() if len(modules) > 1}
    assert {n: m for n, m in twice.items() if n not in SAME_JOB | ON_THE_SHEET} == {}
    # A word that is no longer shared leaves the list.
    assert set(twice) >= SAME_JOB | ON_THE_SHEET


def test_a_second_meaning_is_found() -> None:
    tree = ast.parse("class Span: ...\nA, B = 1, 2\nC: int = 3\nA.flag = 5\ndef kept(): ...\n_OWN = 4")
    assert set(public_names(tree)) == {"Span", "A", "B", "C", "kept"}
