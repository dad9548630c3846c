"""Files that a job writes, and its line in the log."""

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from autochain.audio.files import write_text
from autochain.audio.output_set import OutputSet, output_set
from autochain.errors import AutochainError
from autochain.log.file import append, refuse_unusable
from autochain.tasks.caller import Caller

# Said before a long run, since afterwards it is late.
ONLY_PRINTED = "the result will only be printed: files are written to the folder that -o names, and none is named."


def write_set(
    out: Path, name: str, texts: Mapping[str, str], force: bool, sources: Sequence[Path] = ()
) -> tuple[Path, ...]:
    """Write texts by file name into a folder, all or none, as its set of that name; returns where."""
    with output_set(out, name) as outputs:
        files = stage_texts(outputs, texts)
        outputs.commit(force, sources)
    return files


def stage_texts(outputs: OutputSet, texts: Mapping[str, str]) -> tuple[Path, ...]:
    """Add texts by file name to a set that is not committed yet; returns where they will be."""
    for name, text in texts.items():
        write_text(outputs.staging / name, text)
    return tuple(outputs.folder / name for name in texts)


def usable_log(log: Path | None, caller: Caller) -> Path | None:
    """The log where it can be written; else None, and the caller is told: no job stops for its log."""
    if log is None:
        return None
    try:
        refuse_unusable(log)
    except AutochainError as error:
        caller.tell(str(error))
        return None
    return log


def write_log(log: Path | None, entry: Callable[[], Mapping[str, Any]], caller: Caller) -> None:
    """Build and append an entry where there is a log; the caller is told where that fails."""
    if log is None:
        return
    try:
        append(log, entry())
    except AutochainError as error:
        caller.tell(str(error))
