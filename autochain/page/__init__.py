"""The sheet as a page to look at and to listen with: pictures, text and sound in one file that needs no network.

Whole songs, on request, lie in a folder beside it. The check has a page as well.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from autochain.page.beside import check_folder, write_folder
    from autochain.page.measured import thirds_of
    from autochain.page.sheet_page import listening_to, sheet_hash, to_html

__all__ = ["check_folder", "listening_to", "sheet_hash", "thirds_of", "to_html", "write_folder"]

_WHERE = {
    "check_folder": "beside",
    "listening_to": "sheet_page",
    "sheet_hash": "sheet_page",
    "thirds_of": "measured",
    "to_html": "sheet_page",
    "write_folder": "beside",
}


def __getattr__(name: str) -> Any:
    """Load a part when it is asked for: the page of the check needs nothing of a search."""
    if name not in _WHERE:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_WHERE[name]}"), name)
