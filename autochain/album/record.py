"""What is kept of a finished track: enough for the overview, and to know later that it need not be done again.

A track that has changed its place in the album is known by its request, and its files take its new name.
"""

import hashlib
import json
from collections.abc import Collection, Iterable, Mapping
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict, ValidationError

from autochain.audio.files import unwritable, write_text
from autochain.errors import UsageError
from autochain.sheet import SHEET_KINDS
from autochain.units import clock, number


class JoinedSong(BaseModel):
    """One song of several that run into each other: where it begins in the whole, and its master by itself."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    title: str
    start_s: float
    integrated_lufs: float | None
    true_peak_dbtp: float | None

    def words(self) -> str:
        """The same in words."""
        figures = f"{number(self.integrated_lufs, 'LUFS')}, {number(self.true_peak_dbtp, 'dBTP')}"
        return f"{self.title} from {clock(self.start_s)} on, {figures}"


class Record(BaseModel):
    """One finished track.

    `request` is the hash of all that the result depends on, `files` are hashes by name, `earlier` hashes of files
    that these replace, `levels` the gating blocks of the master as `measure.loudness_histogram` counts them; empty once
    counted.
    `balance_db` and `change_db` are as in `tone`; `head_s` and `tail_s` the silence around the sound as it will play.
    `parts` are the songs of a track that has several. `reasons` names what sends the mix back, as words; empty also
    where an earlier version did not keep it.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    request: str
    title: str
    file: str
    target_lufs: float
    mix_lufs: float
    ready: str
    met: bool
    figures: dict[str, float | int | None]
    score: float
    balance_db: dict[str, float]
    change_db: dict[str, float]
    head_s: float
    tail_s: float
    files: dict[str, str]
    earlier: list[str]
    levels: list[int]
    parts: list[JoinedSong] = []
    reasons: str = ""

    @property
    def goes_back(self) -> bool:
        """Whether its mix should be mended before a master."""
        return self.ready == "revisit"

    @property
    def asks_for_a_look(self) -> bool:
        """Whether it goes back or misses its loudness."""
        return self.goes_back or not self.met


def track_file_names(stem: str) -> list[str]:
    """Everything that is written for a track."""
    return [f"{stem}.track.json", *(f"{stem}.sheet.{kind}" for kind in SHEET_KINDS)]


def record_json(record: Record) -> str:
    """Text of a record with a final newline."""
    return json.dumps(record.model_dump(mode="json"), separators=(",", ":")) + "\n"


def read_record(path: Path) -> Record | None:
    """Record in a file; None where there is none that can be read."""
    try:
        return Record.model_validate_json(path.read_bytes())
    except (OSError, ValidationError):
        return None


def sha256(content: bytes) -> str:
    """Hash of a file's bytes."""
    return hashlib.sha256(content).hexdigest()


def file_sha256(path: Path) -> str | None:
    """Hash of a file; None where there is none."""
    try:
        with path.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except (FileNotFoundError, IsADirectoryError):
        return None


def refuse_edited(path: Path, known: Collection[str], force: bool) -> None:
    """Refuse to replace a file unless it has one of the hashes of what the album wrote, or `force` allows it."""
    if not force and (own := file_sha256(path)) is not None and own not in known:
        raise UsageError(f"{path} is not as the album wrote it. Move it away, or replace it with --force.")


def as_bytes(text: str) -> bytes:
    """Bytes that `write_text` writes."""
    return text.encode("utf-8", errors="backslashreplace")


def request_sha256(request: dict[str, Any]) -> str:
    """Hash of a request."""
    return sha256(json.dumps(request, sort_keys=True).encode())


def is_whole(folder: Path, record: Record) -> bool:
    """Whether all files of a track are there as they were written."""
    return all(file_sha256(folder / name) == h for name, h in record.files.items())


def left_behind(out: Path, stems: Iterable[str]) -> dict[str, str]:
    """Stems of finished tracks in a folder that the album does not have, by their requests."""
    ending, own = track_file_names("")[0], set(stems)
    found: dict[str, str] = {}
    for path in sorted(out.glob(f"*{ending}")):
        stem = path.name.removesuffix(ending)
        if stem not in own and (record := read_record(path)) is not None:
            found.setdefault(record.request, stem)
    return found


def take_along(out: Path, request: str, stem: str, left: Mapping[str, str]) -> Record | None:
    """Give the files of a finished track of the same request the names of `stem`; None where there is none whole.

    Nothing is replaced. After a kill in the middle neither name has all its files, and the track is done again.
    """
    old = left.get(request)
    names = track_file_names(stem)
    if old is None or any((out / name).exists() for name in names):
        return None
    before = read_record(out / track_file_names(old)[0])
    if before is None or before.request != request or not is_whole(out, before):
        return None
    sheets = dict(zip(track_file_names(old)[1:], names[1:], strict=True))
    record = before.model_copy(update={"files": {new: before.files[name] for name, new in sheets.items()}})
    write_text(out / names[0], record_json(record))
    try:
        for name, new in sheets.items():
            (out / name).rename(out / new)
        (out / track_file_names(old)[0]).unlink()
    except OSError as error:
        raise unwritable(out, error) from error
    return record
