"""Files dropped on a page: copied into a folder under a name that is free, whole, and only where they are sound.

What arrives goes to a hidden file beside its place. It gets its name when all of it is there and could be read as a
mix is read; nothing that is there is ever written over.
"""

import os
import re
import secrets
import shutil
import time
import unicodedata
from collections.abc import AsyncIterator
from contextlib import suppress
from pathlib import Path

from starlette.concurrency import run_in_threadpool

from autochain.audio.blocks import read_blocks
from autochain.audio.files import unwritable
from autochain.errors import AudioFileError, AutochainError, UsageError

# Limits of this project.
LARGEST_FILE = 4_400_000_000  # a WAV ends at 4.3 GB
MOST_FILES = 500  # in one folder
_LEFT_FREE_BYTES = 500_000_000
_LONGEST_NAME_BYTES = 150  # its results are called after it, with some thirty more
_ENDINGS = (".wav", ".flac", ".aif", ".aiff", ".ogg", ".mp3")
_PART, _OLD_S = ".desk-{}.part", 86400.0

_NOT_IN_A_NAME = re.compile(r'[/\\:*?"<>|]')


class TooLargeError(UsageError):
    """More bytes than are taken."""


def name_for(given: str) -> str:
    """A file name made safe: what is no text or means something to a system is replaced.

    Raises
    ------
    UsageError
        Where nothing is left of it, or its ending is of no sound file.
    """
    plain = "".join(
        "_" if unicodedata.category(c)[0] in "CZ" and c != " " else c for c in unicodedata.normalize("NFC", given)
    )
    plain = _NOT_IN_A_NAME.sub("_", plain).strip(" .")
    stem, ending = Path(plain).stem, Path(plain).suffix
    if ending.lower() not in _ENDINGS:
        raise UsageError(f"{plain!r} has no ending of a sound file. Give WAV, FLAC, AIFF, Ogg or MP3.")
    while len(stem.encode()) > _LONGEST_NAME_BYTES:
        stem = stem[:-1]
    stem = stem.strip(" .")
    if not stem:
        raise UsageError(f"{plain!r} has no name before its ending. Give it one.")
    return stem + ending


async def receive(name: str, folder: Path, body: AsyncIterator[bytes], promised: int | None) -> Path:
    """Copy a file that arrives into a folder, which is made where it is missing; returns where it is.

    Raises
    ------
    UsageError
        A name or a size that is not taken, too many files, or fewer bytes than promised.
    AudioFileError
        What is no sound that can be used, or a folder that cannot be written.
    """
    name = name_for(name)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if sum(1 for _ in folder.iterdir()) >= MOST_FILES:
            raise UsageError(f"{folder} holds {MOST_FILES} files already. Take another folder.")
        room = shutil.disk_usage(folder).free - _LEFT_FREE_BYTES
        most = min(LARGEST_FILE, max(0, room))
        if (promised or 0) > most:
            raise TooLargeError(_too_large(name, most))
        temporary = folder / _PART.format(secrets.token_hex(6))
        try:
            await _written(temporary, name, body, promised, most)
            return await run_in_threadpool(_taken, temporary, name)
        finally:
            with suppress(OSError):
                temporary.unlink(missing_ok=True)
    except OSError as error:
        raise unwritable(folder / name, error) from error


async def _written(temporary: Path, name: str, body: AsyncIterator[bytes], promised: int | None, most: int) -> None:
    written = 0
    with temporary.open("xb") as file:
        async for block in body:
            written += len(block)
            if written > most:
                raise TooLargeError(_too_large(name, most))
            await run_in_threadpool(file.write, block)
        if promised is not None and written != promised:
            raise UsageError(f"{name} broke off after {written / 1e6:.1f} of {promised / 1e6:.1f} MB. Drop it again.")
        file.flush()
        await run_in_threadpool(os.fsync, file.fileno())  # the data reach the disk before the name does


def _too_large(name: str, most: int) -> str:
    return f"{name} is too large: {most / 1e9:.1f} GB is the most that is taken here. Copy it into the folder yourself."


def _taken(temporary: Path, name: str) -> Path:
    """Read it through, and give it a name that is free."""
    try:
        for _ in read_blocks(temporary):
            pass
    except AutochainError as error:
        raise AudioFileError(str(error).replace(str(temporary), name)) from None
    stem, ending = Path(name).stem, Path(name).suffix
    for place in range(1, MOST_FILES + 2):
        final = temporary.with_name(name if place == 1 else f"{stem}-{place}{ending}")
        # A link is made only where nothing is; where links are not known, nobody else names files in between.
        try:
            os.link(temporary, final)
        except FileExistsError:
            continue
        except OSError:
            if final.exists():
                continue
            temporary.rename(final)
        return final
    raise UsageError(f"too many files are called {name}. Give it another name.")


def clear_old(folder: Path) -> None:
    """Drop what uploads have left that a kill has ended, a day ago or more."""
    with suppress(OSError):
        for path in folder.glob(_PART.format("*")):
            if time.time() - path.stat().st_mtime > _OLD_S:
                path.unlink()
