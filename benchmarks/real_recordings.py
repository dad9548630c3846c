"""A folder of real recordings that lies outside the project: which there are, and what was looked at in them.

Files begin with the recording's number (`07_....wav`); nothing else of their names is used. The places that someone
looked at stand in `real_music/*.toml`, each with the first digits of the file's hash, so that another build of a
recording is noticed. Odd numbers were chosen on; even ones were held back and only judged.
"""

import hashlib
import tomllib
from dataclasses import dataclass
from pathlib import Path

LABELS = Path(__file__).parent / "real_music"
HASH_DIGITS = 12


@dataclass(frozen=True)
class Place:
    """Something that was looked at: a defect of the recording, or music that passes for one."""

    recording: int
    sha256: str
    code: str
    at_s: float | None
    freq_hz: float | None
    defect: bool
    reason: str


def recordings(folder: Path, half: str) -> dict[int, Path]:
    """WAV files by number: `odd`, `even` or `all`."""
    found = {int(path.name.split("_")[0]): path for path in sorted(folder.glob("[0-9][0-9]_*.wav"))}
    return {n: path for n, path in found.items() if half == "all" or n % 2 == (half == "odd")}


def file_hash(path: Path) -> str:
    """First digits of the SHA-256 of a file."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()[:HASH_DIGITS]


def places(folder: Path = LABELS) -> list[Place]:
    """All that was looked at."""
    found = []
    for path in sorted(folder.glob("*.toml")):
        for one in tomllib.loads(path.read_text(encoding="utf-8"))["place"]:
            found.append(
                Place(
                    recording=one["recording"], sha256=one["sha256"], code=one.get("code", path.stem),
                    at_s=one.get("at_s"), freq_hz=one.get("freq_hz"), defect=one["defect"], reason=one["reason"],
                )
            )  # fmt: skip
    return found
