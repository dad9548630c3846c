"""Writing to the log from a command: a log that cannot be written never stops one."""

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Annotated, Any

import typer

from autochain.errors import AutochainError, UsageError
from autochain.log.file import append, log_path

LogFile = Annotated[
    Path | None,
    typer.Option("--log", metavar="FILE", help="Log to write to. Default: log.jsonl in your data folder."),
]
NoLog = Annotated[bool, typer.Option("--no-log", help="Write nothing to the log.")]


def log_of(log: Path | None, no_log: bool) -> Path | None:
    """Which log is meant; None for none."""
    if log is not None and no_log:
        raise UsageError("--log names a log and --no-log wants none. Drop one of them.")
    return None if no_log else log_path() if log is None else log


def write_log(path: Path | None, entry: Callable[[], Mapping[str, Any]]) -> None:
    """Build and append an entry where there is a log; say in one line when that fails."""
    if path is None:
        return
    try:
        append(path, entry())
    except AutochainError as error:
        typer.echo(f"autochain: {error}", err=True)
