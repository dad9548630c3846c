"""The settings sheet: facts in a model, and its forms as Markdown and JSON."""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from autochain.sheet.as_json import to_json
    from autochain.sheet.build import build_sheet
    from autochain.sheet.model import Sheet
    from autochain.sheet.report import to_markdown

__all__ = ["SHEET_KINDS", "Sheet", "build_sheet", "to_json", "to_markdown"]

SHEET_KINDS = ("html", "md", "json")  # endings of its files

_WHERE = {"Sheet": "model", "build_sheet": "build", "to_json": "as_json", "to_markdown": "report"}


def __getattr__(name: str) -> Any:
    """Load a part when it is asked for: `check` needs none of the search behind a sheet, which takes 0.15 s."""
    if name not in _WHERE:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_WHERE[name]}"), name)
