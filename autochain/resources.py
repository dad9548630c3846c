"""Where the packaged data lie: `configs/` and `shared/`, in the wheel or in a checkout; where compiled code is kept."""

import os
import tempfile
import tomllib
from collections.abc import MutableMapping
from pathlib import Path
from typing import Any

_COMPILED = "NUMBA_CACHE_DIR"  # read by numba when it is loaded


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


def keep_compiled_code(
    environment: MutableMapping[str, str] = os.environ, package: Path = Path(__file__).parent
) -> Path | None:
    """Name a folder for compiled code where neither the package nor the home can be written; before numba is loaded.

    numba keeps it beside the source, or under the home, and raises where it can do neither.

    Returns
    -------
    The folder, or None where nothing had to be named.
    """
    home = environment.get("HOME", "")
    cache = environment.get("XDG_CACHE_HOME") or (home and str(Path(home) / ".cache"))
    if environment.get(_COMPILED) or _writable(package / "__pycache__") or (cache and _writable(Path(cache))):
        return None
    folder = Path(tempfile.gettempdir()) / f"autochain-compiled-{os.getuid() if hasattr(os, 'getuid') else 'user'}"
    if not _own(folder):
        folder = Path(tempfile.mkdtemp(prefix="autochain-compiled-"))
    environment[_COMPILED] = str(folder)
    return folder


def _writable(folder: Path) -> bool:
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            return True
    except OSError:
        return False


def _own(folder: Path) -> bool:
    """Whether a folder of everybody's temporary one is ours alone: compiled code from it is run."""
    try:
        folder.mkdir(mode=0o700, exist_ok=True)
        state = folder.lstat()
    except OSError:
        return False
    mine = not hasattr(os, "getuid") or (state.st_uid == os.getuid() and not state.st_mode & 0o022)
    return mine and folder.is_dir() and not folder.is_symlink() and _writable(folder)
