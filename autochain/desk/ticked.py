"""References that were dropped on a song's page, and which of them the next search looks at."""

import json
from pathlib import Path

from autochain.audio.files import write_text
from autochain.desk.bounces import sounds_in
from autochain.errors import UsageError
from autochain.given import quoted

_OFF = "off.json"  # names of those that are there and not looked at


class Ticked:
    """References in a folder; each is looked at until that is taken back, which is written at once."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def all(self) -> tuple[tuple[Path, bool], ...]:
        """Sound files by name, each with whether it is looked at."""
        off = self._off()
        return tuple((path, path.name not in off) for path in sounds_in(self._folder))

    def tick(self, name: str, on: bool) -> None:
        """Look at one, or not; UsageError where there is none of that name."""
        there = {path.name for path in sounds_in(self._folder)}
        if name not in there:
            raise UsageError(f"{quoted(name)} is no reference of this song. Drop it on the page first.")
        off = (self._off() & there) - {name} if on else (self._off() & there) | {name}
        write_text(self._folder / _OFF, json.dumps(sorted(off)) + "\n", force=True)

    def _off(self) -> frozenset[str]:
        try:
            names = json.loads((self._folder / _OFF).read_text(encoding="utf-8"))
        except (OSError, ValueError, RecursionError):
            return frozenset()
        return frozenset(one for one in names if isinstance(one, str)) if isinstance(names, list) else frozenset()
