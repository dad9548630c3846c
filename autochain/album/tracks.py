"""Which songs make the album, and in what order: files, folders by name, or a list in TOML."""

import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from autochain.errors import ConfigError, UsageError

# What a folder is searched for; a file that is named may have any ending.
_ENDINGS = (".wav", ".flac", ".aif", ".aiff", ".ogg", ".mp3")


@dataclass(frozen=True, slots=True, kw_only=True)
class Track:
    """One song; `stem` begins the names of its files, `offset_lu` is its place against the others, 0 unless listed."""

    path: Path
    title: str
    stem: str
    offset_lu: float = 0.0


class _Entry(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, strict=True)

    file: str
    title: str = ""
    offset_lu: float = Field(default=0.0, ge=-40.0, le=40.0)


class _List(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")

    track: list[_Entry]


def find_tracks(sources: Sequence[Path]) -> list[Track]:
    """Tracks in album order.

    Parameters
    ----------
    sources
        Files in the order given, folders (their sound files by name) and lists in TOML whose `[[track]]` tables hold
        `file` (beside the list, or whole), and perhaps `title` and `offset_lu`, -40 to 40 LU.

    Raises
    ------
    UsageError
        Where nothing is found or a file is named twice.
    ConfigError
        For a list that cannot be read; every problem with its address.
    """
    found = [entry for source in sources for entry in _entries(source)]
    if not found:
        raise UsageError("There is no sound file in what was named. Name files, a folder of mixes, or a list.")
    seen: set[Path] = set()
    for path, _, _ in found:
        if path.resolve() in seen:
            raise UsageError(f"{path} is named twice. Name each track once.")
        seen.add(path.resolve())
    digits = max(2, len(str(len(found))))
    return [
        Track(path=path, title=title or path.stem, stem=f"{place:0{digits}d}-{path.stem}", offset_lu=offset)
        for place, (path, title, offset) in enumerate(found, 1)
    ]


def _entries(source: Path) -> Iterator[tuple[Path, str, float]]:
    if source.is_dir():
        for path in sorted(source.iterdir()):
            if path.suffix.lower() in _ENDINGS and path.is_file():
                yield path, "", 0.0
    elif source.suffix.lower() == ".toml":
        for entry in _read_list(source).track:
            yield source.parent / entry.file, entry.title, entry.offset_lu
    else:
        yield source, "", 0.0


def _read_list(path: Path) -> _List:
    try:
        return _List.model_validate(tomllib.loads(path.read_text(encoding="utf-8")))
    except OSError as error:
        raise ConfigError(f"{path} cannot be read ({error.strerror}); check the name.") from error
    except UnicodeDecodeError as error:
        raise ConfigError(f"{path} is no text in UTF-8; save it as such.") from error
    except tomllib.TOMLDecodeError as error:
        raise ConfigError(f"{path}: {error}; mend the TOML there.") from error
    except ValidationError as error:
        lines = [f"{'.'.join(map(str, p['loc']))}: {p['msg']}" for p in error.errors()]
        raise ConfigError(f"{path}: {'; '.join(lines)}. A track has file, title and offset_lu.") from error
