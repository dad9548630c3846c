"""Where the packaged data lie: `configs/` and `shared/`, in the wheel or in a checkout."""

import tomllib
from pathlib import Path
from typing import Any


def resource(folder: str, name: str) -> Path:
    """Path of a packaged data file.

    Parameters
    ----------
    folder
        `configs` or `shared`.
    name
        File name inside that folder.
    """
    package = Path(__file__).parent
    packaged = package / "_data" / folder / name
    # A checkout keeps the folders beside the package, a wheel inside it.
    return packaged if packaged.exists() else package.parent / folder / name


def read_table(name: str) -> dict[str, Any]:
    """Read a table from `shared/` (TOML), published values with their source beside them."""
    return tomllib.loads(resource("shared", name).read_text(encoding="utf-8"))
