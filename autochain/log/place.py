"""Where the log lies: the data folder that each system gives a user's programs."""

import os
import sys
from pathlib import Path


def log_path() -> Path:
    """`XDG_DATA_HOME` where it is set (XDG Base Directory Specification 0.8), else the system's own folder.

    Linux: ~/.local/share; macOS: ~/Library/Application Support; Windows: %LOCALAPPDATA%.
    """
    return _data_home() / "autochain" / "log.jsonl"


def _data_home() -> Path:
    given = os.environ.get("XDG_DATA_HOME", "")
    if given and Path(given).is_absolute():  # a relative one is to be ignored, as the specification says
        return Path(given)
    home = Path.home()
    if sys.platform == "darwin":
        return home / "Library" / "Application Support"
    if sys.platform == "win32":
        local = os.environ.get("LOCALAPPDATA", "")
        return Path(local) if local else home / "AppData" / "Local"
    return home / ".local" / "share"
