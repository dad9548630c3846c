"""What is known of mixes, kept beside the album, so that a restart need not read terabytes again.

One JSON object a line: the mix by its path from the album, its size and time of change, and what was heard. A mix
whose size and time are the same is taken to be the same, as version control takes it; nothing is kept of a mix that was
changed within two seconds of being read, since clocks of file systems may be that coarse.
"""

import json
import os
import time
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path

from autochain.album.job import Heard, hear
from autochain.album.tracks import Track
from autochain.album.workers import processes_for, side_by_side
from autochain.audio.files import write_text
from autochain.search.progress import Progress

NAME = ".album.mixes.jsonl"
_COARSEST_CLOCK_NS = 2_000_000_000  # FAT keeps times in steps of 2 s

# Path from the album, size in bytes, time of change in ns.
_State = tuple[str, int, int]


def hear_mixes(tracks: Sequence[Track], out: Path, jobs: int, resume: bool, progress: Progress) -> list[Heard | str]:
    """Measure the mixes of all tracks, in album order; one line that says why where one cannot be.

    With `resume`, what an earlier run has heard is taken from the folder `out`.
    """
    kept, begun_ns = out / NAME, time.time_ns()
    known = _read(kept) if resume else {}
    states = {track.path: _state(track.path, out) for track in tracks}
    found: dict[Path, Heard | str] = {path: known[state] for path, state in states.items() if state in known}
    write_text(kept, "".join(_line(state, known[state]) for state in states.values() if state in known), force=True)
    left = [path for path in states if path not in found]
    with kept.open("a", encoding="ascii") as file:
        for done, (path, heard) in enumerate(side_by_side(hear, left, processes_for(jobs, len(left)))):
            progress("measuring the mixes", done / len(left))
            found[path] = heard
            state = states[path]
            if not isinstance(heard, Heard) or state is None or state != _state(path, out):
                continue
            if begun_ns - state[2] > _COARSEST_CLOCK_NS:
                file.write(_line(state, heard))
                file.flush()
    return [found[track.path] for track in tracks]


def _state(path: Path, out: Path) -> _State | None:
    try:
        seen = path.stat()
        return os.path.relpath(path, out), seen.st_size, seen.st_mtime_ns
    except (OSError, ValueError):  # ValueError: on another drive, where no path leads from the album
        return None


def _line(state: _State | None, heard: Heard) -> str:
    return json.dumps({"mix": state, **asdict(heard)}, separators=(",", ":")) + "\n"


def _read(path: Path) -> dict[_State | None, Heard]:
    known: dict[_State | None, Heard] = {}
    try:
        lines = path.read_bytes().splitlines()
    except OSError:
        return known
    for line in lines:
        try:
            entry = json.loads(line)
            name, size, changed = entry.pop("mix")
            known[str(name), int(size), int(changed)] = Heard(**entry)
        except (ValueError, TypeError, KeyError, AttributeError):
            continue  # cut off by a kill
    return known
