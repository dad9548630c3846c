"""What the last masters in the log have in common."""

from dataclasses import dataclass, replace
from pathlib import Path

from autochain.audio.blocks import shown
from autochain.audio.files import check_output
from autochain.errors import UsageError
from autochain.log.file import log_path, read
from autochain.log.history import LAST_MASTERS, History, history_of
from autochain.log.report import history_to_html, history_to_json, history_to_markdown
from autochain.tasks.caller import NOBODY, Caller
from autochain.tasks.outputs import write_set

_FILES = ("history.md", "history.html", "history.json")


@dataclass(frozen=True, slots=True, kw_only=True)
class HistoryRequest:
    """What is asked.

    Attributes
    ----------
    log
        The log; None for the one in the user's data folder.
    last
        How many masters, 1 or more.
    out
        Folder of the history; None writes nothing.
    force
        Replace results that exist; never the log.
    """

    log: Path | None = None
    last: int = LAST_MASTERS
    out: Path | None = None
    force: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Recalled:
    """The history, and the files that were written."""

    history: History
    files: tuple[Path, ...]

    def markdown(self) -> str:
        """The history to read."""
        return history_to_markdown(self.history)

    def html(self) -> str:
        """The same with pictures."""
        return history_to_html(self.history)

    def json(self) -> str:
        """All figures."""
        return history_to_json(self.history)


def recall(request: HistoryRequest, caller: Caller = NOBODY) -> Recalled:
    """Read the log, and write the history where a folder is named.

    Raises
    ------
    UsageError
        A log that was named and does not exist, files that are there already.
    AutochainError
        A log that cannot be read.
    """
    if request.log is not None and not request.log.exists():
        raise UsageError(
            f"--log {shown(request.log)} does not exist. Name a log that was written, or leave --log out."
        )
    log = log_path() if request.log is None else request.log
    if request.out is not None:
        check_output(request.out, _FILES, request.force, (log,))
    entries, broken = read(log)
    if broken:
        caller.tell(f"{broken} lines of {shown(log)} cannot be read and were left out.")
    result = Recalled(history=history_of(entries, request.last), files=())
    if request.out is None:
        return result
    texts = zip(_FILES, (result.markdown(), result.html(), result.json()), strict=True)
    return replace(result, files=write_set(request.out, "history", dict(texts), request.force, (log,)))
