"""Tracks that changed their place: what was done is taken along by its new name."""

from collections.abc import Iterable, Mapping
from pathlib import Path

from autochain.album import record as records
from autochain.audio.files import write_text


def left_behind(out: Path, stems: Iterable[str]) -> dict[str, str]:
    """Stems of finished tracks in a folder that the album does not have, by their requests."""
    ending, own = records.names("")[0], set(stems)
    found: dict[str, str] = {}
    for path in sorted(out.glob(f"*{ending}")):
        stem = path.name.removesuffix(ending)
        if stem not in own and (record := records.read_record(path)) is not None:
            found.setdefault(record.request, stem)
    return found


def take_along(out: Path, request: str, stem: str, left: Mapping[str, str]) -> records.Record | None:
    """Give the files of a finished track of the same request the names of `stem`; None where there is none whole.

    Nothing is replaced. After a kill in the middle neither name has all its files, and the track is done again.
    """
    old = left.get(request)
    names = records.names(stem)
    if old is None or any((out / name).exists() for name in names):
        return None
    before = records.read_record(out / records.names(old)[0])
    if before is None or before.request != request or not records.whole(out, before):
        return None
    sheets = dict(zip(records.names(old)[1:], names[1:], strict=True))
    record = before.model_copy(update={"files": {new: before.files[name] for name, new in sheets.items()}})
    write_text(out / names[0], records.to_json(record))
    for name, new in sheets.items():
        (out / name).rename(out / new)
    (out / records.names(old)[0]).unlink()
    return record
