"""The layers of the package import one way."""

import ast
from pathlib import Path

import pytest

import autochain

PACKAGE = Path(autochain.__file__).parent
# In the order sound and numbers flow; a layer imports only from layers before it, and from itself.
LAYERS = (
    "errors", "given", "units", "resources", "progress", "threads", "memory", "note", "document", "audio", "measure",
    "prepare", "chain", "tool", "config", "demo", "solve", "earlier", "search", "sheet", "taste", "check", "render",
    "compare", "log", "page", "curve", "album", "tasks", "face", "desk", "cli",
)  # fmt: skip
MODULES = sorted(PACKAGE.rglob("*.py"))


def layer_of(parts: tuple[str, ...]) -> str | None:
    return parts[0] if parts and parts[0] in LAYERS else None


def imported_layers(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        names = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
            names = [f"{node.module}.{alias.name}" for alias in node.names]
        for name in names:
            parts = tuple(name.split("."))
            if parts[0] == "autochain" and (layer := layer_of(parts[1:])):
                found.add(layer)
    return found


def test_every_folder_and_module_has_its_place_in_the_order() -> None:
    tops = {p.stem for p in PACKAGE.iterdir() if p.suffix == ".py"} | {
        p.name for p in PACKAGE.iterdir() if p.is_dir() and (p / "__init__.py").exists()
    }
    assert tops - {"__init__", "__main__"} == set(LAYERS)


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_a_layer_imports_only_from_layers_before_it(path: Path) -> None:
    own = layer_of((path.relative_to(PACKAGE).with_suffix("").parts[0],))
    if own is None:  # __init__ and __main__ stand on top
        return
    allowed = set(LAYERS[: LAYERS.index(own) + 1])
    assert imported_layers(path) <= allowed


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_are_absolute_and_kernels_know_nothing_but_numbers(path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    assert not [n for n in ast.walk(tree) if isinstance(n, ast.ImportFrom) and n.level > 0]
    if path.stem.endswith("_kernels"):  # kernels may share kernels, nothing else of ours
        ours = [
            n.module
            for n in ast.walk(tree)
            if isinstance(n, ast.ImportFrom) and n.module and n.module.startswith("autochain")
        ]
        assert all(module.endswith("_kernels") for module in ours)


def test_print_is_not_used_outside_the_command_line() -> None:
    for path in MODULES:
        if path.relative_to(PACKAGE).parts[0] == "cli":
            continue
        calls = [n for n in ast.walk(ast.parse(path.read_text(encoding="utf-8"))) if isinstance(n, ast.Call)]
        assert not [c for c in calls if isinstance(c.func, ast.Name) and c.func.id == "print"], path
