"""Title, artist and the like: read from the mix, put into the files made from it. Text stays text.

The names are those that libsndfile has for every format; what a format cannot hold is left out by it.
"""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import mutagen
import soundfile
from mutagen.id3 import COMM, ID3, TALB, TCON, TCOP, TDRC, TIT2, TPE1, TRCK

from autochain.audio.blocks import for_soundfile
from autochain.audio.wav_texts import read_wav_texts

# In a WAV, readers by libsndfile find nothing behind a text of 2 kB: the one that may be long comes last.
TAG_NAMES = ("title", "artist", "album", "date", "tracknumber", "genre", "copyright", "comment")
_FRAMES = {
    "title": TIT2, "artist": TPE1, "album": TALB, "date": TDRC, "tracknumber": TRCK, "genre": TCON, "copyright": TCOP,
}  # fmt: skip
_LONGEST = 10_000  # characters; a tag is no place for a book


def read_tags(path: Path) -> dict[str, str]:
    """Tags of a sound file by name, those that it has; unreadable ones are no tags.

    ID3 frames (of MP3, and of WAV and AIFF that carry them) win over the container's own texts.
    """
    found: dict[str, str] = {}
    try:
        with soundfile.SoundFile(for_soundfile(path)) as file:
            found.update(file.copy_metadata())
        found.update(read_wav_texts(path))
    except (OSError, soundfile.SoundFileError):
        return {}
    try:
        frames = getattr(mutagen.File(path), "tags", None)
    except Exception:  # a library that reads what anybody wrote: a broken tag must not stop a master
        frames = None
    if isinstance(frames, ID3):
        for name, frame in _FRAMES.items():
            if frame.__name__ in frames:
                found[name] = str(frames[frame.__name__])
        comments = frames.getall("COMM")  # type: ignore[no-untyped-call]
        if comments:
            found["comment"] = str(comments[0])
    return {name: _clean(found[name]) for name in TAG_NAMES if _clean(found.get(name, ""))}


def put_tags(file: Any, tags: Mapping[str, str]) -> None:
    """Set the tags of a `soundfile.SoundFile` that is open for writing and holds no sound yet."""
    for name in TAG_NAMES:
        if name in tags:
            setattr(file, name, tags[name])


def put_id3(path: Path, tags: Mapping[str, str]) -> None:
    """Give an MP3 its tags as ID3v2.4 in UTF-8; libsndfile would write other letters than ASCII wrongly."""
    frames: Any = ID3()  # type: ignore[no-untyped-call]
    for name, text in tags.items():
        if name == "comment":
            frames.add(COMM(encoding=3, lang="und", desc="", text=text))  # type: ignore[no-untyped-call]
        else:
            frames.add(_FRAMES[name](encoding=3, text=text))  # type: ignore[no-untyped-call]
    if tags:
        try:
            frames.save(path)
        except mutagen.MutagenError as error:  # which hides a full disk
            raise OSError(str(error)) from error


def _clean(text: str) -> str:
    # No zero bytes: they end a text in most formats. Lone surrogates cannot be written as UTF-8.
    return text.replace("\0", " ").encode("utf-8", errors="replace").decode("utf-8").strip()[:_LONGEST]
