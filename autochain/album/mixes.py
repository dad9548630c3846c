"""What is known of mixes, kept beside the album, so that a restart need not read terabytes again.

One JSON object a line: the mix by its path from the album, its size and time of change (of each, where several run
into each other), and what was heard. A mix whose size and time are the same is taken to be the same, as version control
takes it; nothing is kept of a mix that was changed within two seconds of being read, since clocks of file systems may
be that coarse.
"""

import json
import os
import time
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path

from autochain.album.job import Failure, HeardMix, hear
from autochain.album.tracks import Track
from autochain.album.workers import LOST, processes_for, side_by_side
from autochain.audio.files import unwritable, write_text
from autochain.progress import Progress

_NAME = ".album.mixes.jsonl"
_COARSEST_CLOCK_NS = 2_000_000_000  # FAT keeps times in steps of 2 s

Paths = tuple[Path, ...]
# Path from the album, size in bytes, time of change in ns, for each mix of a track.
_State = tuple[tuple[str, int, int], ...]


def hear_mixes(
    tracks: Sequence[Track], out: Path, jobs: int, resume: bool, progress: Progress
) -> list[HeardMix | Failure]:
    """Measure the mixes of all tracks, in album order.

    With `resume`, what an earlier run has heard is taken from the folder `out`.
    """
    kept, begun_ns = out / _NAME, time.time_ns()
    known = _read(kept) if resume else {}
    states = {track.paths: _state(track.paths, out) for track in tracks}
    found: dict[Paths, HeardMix | Failure] = {paths: known[state] for paths, state in states.items() if state in known}
    write_text(kept, "".join(_line(state, known[state]) for state in states.values() if state in known), force=True)
    left = [paths for paths in states if paths not in found]
    heard_by_path = side_by_side(hear, left, processes_for(jobs, len(left)), lambda paths: Failure.of(paths, LOST))
    for done, (paths, heard) in enumerate(heard_by_path):
        progress("measuring the mixes", done / len(left))
        found[paths] = heard
        state = states[paths]
        if not isinstance(heard, HeardMix) or state is None or state != _state(paths, out):
            continue
        if all(begun_ns - changed_ns > _COARSEST_CLOCK_NS for _, _, changed_ns in state):
            _append(kept, _line(state, heard))
    return [found[track.paths] for track in tracks]


def _append(kept: Path, line: str) -> None:
    try:
        with kept.open("a", encoding="ascii") as file:
            file.write(line)
    except OSError as error:
        raise unwritable(kept, error) from error


def _state(paths: Paths, out: Path) -> _State | None:
    try:
        seen = [path.stat() for path in paths]
        whence = [os.path.relpath(path, out) for path in paths]
        return tuple((path, s.st_size, s.st_mtime_ns) for path, s in zip(whence, seen, strict=True))
    except (OSError, ValueError):  # ValueError: on another drive, where no path leads from the album
        return None


def _line(state: _State | None, heard: HeardMix) -> str:
    return json.dumps({"mix": state, **asdict(heard)}, separators=(",", ":")) + "\n"


def _read(path: Path) -> dict[_State | None, HeardMix]:
    known: dict[_State | None, HeardMix] = {}
    try:
        lines = path.read_bytes().splitlines()
    except OSError:
        return known
    for line in lines:
        try:
            entry = json.loads(line)
            state = tuple((str(name), int(size), int(changed)) for name, size, changed in entry.pop("mix"))
            known[state] = HeardMix(**entry)
        except (ValueError, TypeError, KeyError, AttributeError):
            continue  # cut off by a kill
    return known
