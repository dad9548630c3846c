"""Which log a command writes to."""

from pathlib import Path
from typing import Annotated

import typer

from autochain.errors import UsageError

LogFile = Annotated[
    Path | None,
    typer.Option("--log", metavar="FILE", help="Log to write to. Default: log.jsonl in your data folder."),
]
NoLog = Annotated[bool, typer.Option("--no-log", help="Write nothing to the log.")]


def log_of(log: Path | None, no_log: bool) -> Path | None:
    """Which log is meant; None for none."""
    if log is not None and no_log:
        raise UsageError("--log names a log and --no-log wants none. Drop one of them.")
    # Loaded when it is asked for: help is there at once.
    from autochain.log.file import log_path

    return None if no_log else log_path() if log is None else log
