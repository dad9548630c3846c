"""Whether mixes are ready to be worked on: one verdict each, and a page to see and hear what was found."""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from autochain.album.tracks import mixes_in
from autochain.audio.blocks import one_state, shown
from autochain.audio.files import check_output
from autochain.audio.mix import Mix
from autochain.check.as_json import checks_to_json
from autochain.check.checked import Checked, judged
from autochain.check.report import checks_to_markdown
from autochain.config import Config, read_config
from autochain.errors import AutochainError
from autochain.measure.inspection import inspect, inspect_file
from autochain.tasks.caller import NOBODY, Caller
from autochain.tasks.outputs import write_set
from autochain.tasks.sounds import Sound, header_of

if TYPE_CHECKING:
    from autochain.page.check_page import CheckPage

READY = "ready"
FILES = ("check.html", "check.md", "check.json")


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckRequest:
    """What is asked.

    Attributes
    ----------
    sources
        Files, folders (their sound files by name) and lists in TOML, as `album` takes them.
    out
        Folder of the page and its data; None writes nothing.
    config
        TOML over the packaged defaults; `[check]` has the limits.
    force
        Replace results that exist; never a source.
    """

    sources: Sequence[Path]
    out: Path | None = None
    config: Path | None = None
    force: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Checks:
    """What was found: a verdict for each mix that could be read, errors of the others, files that were written."""

    checked: tuple[Checked, ...]
    unread: tuple[AutochainError, ...]
    files: tuple[Path, ...]

    @property
    def all_ready(self) -> bool:
        """Whether every mix that could be read is ready."""
        return all(one.readiness.verdict == READY for one in self.checked)

    def markdown(self) -> str:
        """All verdicts to read."""
        return checks_to_markdown(self.checked)

    def json(self) -> str:
        """All verdicts as a list."""
        return checks_to_json(self.checked)


def check_mix(sound: Sound, config: Config, name: str) -> Checked:
    """Inspect one mix and judge it under a name; AudioFileError when it cannot be read."""
    seen = inspect(sound.samples, sound.rate_hz) if isinstance(sound, Mix) else inspect_file(sound)
    return judged(seen, name, config)


def check(request: CheckRequest, caller: Caller = NOBODY) -> Checks:
    """Check mixes one after the other; one that cannot be read stops none of the others.

    Raises
    ------
    UsageError, ConfigError
        Nothing to check, a configuration that cannot hold, files that are there already.
    AudioFileError
        A folder that cannot be read or written.
    """
    config, named = read_config(request.config), _named(mixes_in(request.sources))
    if request.out is not None:
        check_output(request.out, FILES, request.force, named)
    unread = _unread(named, caller)
    checked = list[Checked]()
    with caller.watch() as show:
        page = None if request.out is None else _page()
        for place, (path, name) in enumerate(named.items()):
            if path in unread:
                continue
            show(f"checking {shown(Path(path.name))}", place / len(named))
            try:
                with one_state(path):
                    one = check_mix(path, config, name)
                    if page is not None:
                        show(f"drawing {shown(Path(path.name))}", (place + 0.8) / len(named))
                        page.add(path, one)
                checked.append(one)
            except AutochainError as error:
                caller.tell(str(error))
                unread[path] = error
    errors = tuple(unread[path] for path in named if path in unread)
    result = Checks(checked=tuple(checked), unread=errors, files=())
    if page is None or request.out is None or not checked:
        return result
    texts = zip(FILES, (page.html(list(map(str, errors))), result.markdown(), result.json()), strict=True)
    return replace(result, files=write_set(request.out, "check", dict(texts), request.force, tuple(named)))


def _named(mixes: Sequence[Path]) -> dict[Path, str]:
    """What files are called: their names, or their paths where names are equal."""
    names = Counter(path.name for path in mixes)
    called = {path: path.name if names[path.name] == 1 else str(path) for path in mixes}
    # A name may hold bytes that are no text, and goes into JSON.
    return {path: name.encode("utf-8", errors="backslashreplace").decode() for path, name in called.items()}


def _unread(paths: Iterable[Path], caller: Caller) -> dict[Path, AutochainError]:
    """Files that already their headers forbid; told before any other is read."""
    found: dict[Path, AutochainError] = {}
    for path in paths:
        try:
            header_of(path)
        except AutochainError as error:
            caller.tell(str(error))
            found[path] = error
    return found


def _page() -> "CheckPage":
    """Load what draws and plays only where there is a page: a fifth of a second."""
    from autochain.page.check_page import CheckPage

    return CheckPage()
