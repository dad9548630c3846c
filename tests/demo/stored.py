"""The demo's sheet as it was stored, and what parts another from it.

Settings, words, counts and names have to be the same. A figure may be off by `FIGURE`: another processor or library may
round the last bit of a sum the other way. The sound of the demo itself is not held (its hash may differ by such a bit),
nor are the versions that made the sheet. Seen: Python 3.11 with numpy 2.4 and 3.12 with numpy 2.5 and scipy 1.18 give a
brief search of the demo the same sheet in every digit, but for an offset at -176 dBFS; their demos are other bytes.
"""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from tests.docs.examples import difference

STORED = Path(__file__).parent / "sheet.json"
FIGURE = 0.02  # dB, LU, ms, points or s. A limit of this project: what is printed has 0.1 dB.
_NOTHING_DBFS = -120.0  # what lies under it is the rounding of the samples themselves
# What depends on the machine: hash of the mix, versions; hash of the preview.
_OWN = {"sha256", "versions"}
# Addresses under which numbers are what a hand dials, or asks for.
_DIALLED = {"settings", "target", "request"}


def read(path: Path) -> dict[str, Any]:
    """A sheet."""
    sheet: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    return sheet


def apart(stored: Any, made: Any, way: tuple[str, ...] = ()) -> Iterator[str]:
    """Say what parts two sheets, one line each."""
    if way and way[-1] in _OWN:
        return
    where = ".".join(way)
    if isinstance(stored, dict) and isinstance(made, dict):
        if list(stored) != list(made):
            yield f"{where} has {', '.join(stored)}, and here {', '.join(made)}"
        for key in stored.keys() & made.keys():
            yield from apart(stored[key], made[key], (*way, key))
    elif isinstance(stored, list) and isinstance(made, list):
        if len(stored) != len(made):
            yield f"{where} has {len(stored)} entries, and here {len(made)}"
        for place, (one, other) in enumerate(zip(stored, made, strict=False)):
            yield from apart(one, other, (*way, str(place)))
    elif isinstance(stored, float) and isinstance(made, float) and not _DIALLED & set(way):
        if abs(stored - made) > FIGURE and max(stored, made) > _NOTHING_DBFS:
            yield f"{where} is {stored}, and here {made}"
    elif isinstance(stored, str) and isinstance(made, str):
        if difference(stored, made) is not None:
            yield f"{where} reads {stored!r}, and here {made!r}"
    elif type(stored) is not type(made) or stored != made:
        yield f"{where} is {stored}, and here {made}"
