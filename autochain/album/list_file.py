"""The list of an album in TOML: its tracks in order, as a hand or the desk writes it."""

import json
import unicodedata
from collections.abc import Iterable
from pathlib import Path

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator

from autochain.errors import ConfigError
from autochain.given import read_toml


class Entry(BaseModel):
    """One song: its file (beside the list, or whole), and what is wanted of it."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, strict=True)

    file: str
    title: str = ""
    offset_lu: float = Field(default=0.0, ge=-40.0, le=40.0)
    runs_into_next: bool = False

    @field_validator("file", "title")
    @classmethod
    def _check(cls, text: str) -> str:
        if any(unicodedata.category(c) == "Cc" for c in text):
            raise ValueError("holds a control character. Write it without")
        return text


class _List(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")

    track: list[Entry]


def read_list(path: Path) -> list[Entry]:
    """Songs of a list; ConfigError where it cannot be read, every problem with its address."""
    try:
        return _List.model_validate(read_toml(path, "the list")).track
    except ValidationError as error:
        lines = [f"{'.'.join(map(str, p['loc']))}: {p['msg'].removeprefix('Value error, ')}" for p in error.errors()]
        raise ConfigError(
            f"{path}: {'; '.join(lines)}. A track has file, title, offset_lu and runs_into_next."
        ) from error


def list_text(songs: Iterable[Entry]) -> str:
    """The text of a list, which `read_list` reads back."""
    tables = []
    for song in songs:
        lines = ["[[track]]", f"file = {_quoted(song.file)}"]
        lines += [f"title = {_quoted(song.title)}"] if song.title else []
        lines += [f"offset_lu = {song.offset_lu!r}"] if song.offset_lu else []
        lines += ["runs_into_next = true"] if song.runs_into_next else []
        tables.append("\n".join(lines))
    return "\n\n".join(tables) + "\n"


def _quoted(words: str) -> str:
    """A basic string of TOML 1.0, whose escapes are those of JSON; control characters are refused before."""
    return json.dumps(words, ensure_ascii=False)
