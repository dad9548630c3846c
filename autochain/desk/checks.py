"""What the checks of mixes said, kept in the folder of results, so that a desk that starts again checks nothing twice.

A verdict is taken again only where it would be the same: same bytes of the file, same program, same limits.
"""

import hashlib
import json
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path

from pydantic import BaseModel, ConfigDict, ValidationError

from autochain.audio.files import write_text
from autochain.check.checked import Checked
from autochain.config import Config
from autochain.desk.folder import SongFiles
from autochain.errors import AutochainError
from autochain.search.request import config_sha256, versions
from autochain.tasks.check import check_mix

KEPT_IN = ".desk"
_MOST_BYTES = 4_000_000


class _Kept(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")

    sha256: str
    made_by: str
    checked: Checked


@cache
def _program() -> str:
    """Hash of this program's own text and of the libraries that can change a number."""
    digest = hashlib.sha256(json.dumps(versions(), sort_keys=True).encode())
    waiting: list[Traversable] = [files("autochain")]
    while waiting:
        for one in sorted(waiting.pop().iterdir(), key=lambda entry: entry.name):
            if one.is_dir():
                waiting.append(one)
            elif one.name.endswith(".py"):
                digest.update(one.read_bytes())
    return digest.hexdigest()


@dataclass(frozen=True, slots=True)
class KeptChecks:
    """Verdicts in a folder of results, by song."""

    out: Path
    config: Config

    def of(self, song: SongFiles) -> Checked:
        """The verdict on a mix, kept or made now; AudioFileError where the mix cannot be read."""
        sha256 = _sha256(song.path)
        kept = self._kept(song)
        if kept is not None and sha256 is not None and (kept.sha256, kept.made_by) == (sha256, self._made_by()):
            return kept.checked
        checked = check_mix(song.path, self.config, song.name)
        if sha256 is not None and sha256 == _sha256(song.path):  # nobody wrote it meanwhile
            self._keep(song, _Kept(sha256=sha256, made_by=self._made_by(), checked=checked))
        return checked

    def forget_others(self, songs: Sequence[SongFiles]) -> None:
        """Drop what is kept of mixes that are gone."""
        known = {f"{song.id}.json" for song in songs}
        with suppress(OSError):
            for path in (self.out / KEPT_IN).iterdir():
                if path.name not in known:
                    path.unlink()

    def _made_by(self) -> str:
        return f"{_program()} {config_sha256(self.config)}"

    def _path(self, song: SongFiles) -> Path:
        return self.out / KEPT_IN / f"{song.id}.json"

    def _kept(self, song: SongFiles) -> _Kept | None:
        path = self._path(song)
        try:
            if path.stat().st_size > _MOST_BYTES:
                return None
            return _Kept.model_validate_json(path.read_bytes())
        except (OSError, ValidationError, ValueError, RecursionError):
            return None

    def _keep(self, song: SongFiles, kept: _Kept) -> None:
        text = kept.model_dump_json()
        # What does not read back as it was, such as a figure without end, is not kept; nor where the folder takes
        # nothing, which stops no check.
        with suppress(AutochainError, ValueError):
            if _Kept.model_validate_json(text).checked == kept.checked:
                write_text(self._path(song), text, force=True)


def _sha256(path: Path) -> str | None:
    try:
        with path.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except OSError:
        return None
