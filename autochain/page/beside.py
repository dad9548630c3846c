"""Whole songs beside the page, in a folder of its own.

A page that was opened from disk may neither fetch a file nor process what an audio element plays from one (Chromium
hands the Web Audio graph zeros), but it may load scripts. So every block of the songs is a script of one call with
FLAC as base64; the page asks for it when its time comes, and forgets it soon after.
"""

import secrets
import shutil
from pathlib import Path

from autochain.audio.blocks import shown
from autochain.audio.files import unwritable, write_text
from autochain.errors import AudioFileError, UsageError
from autochain.page.listening import Listening

_MADE_BY_US = "[0-9]" * 4 + ".js"


def check_folder(folder: Path, *, force: bool) -> None:
    """Refuse a folder that may not be replaced: without `force` any, and never one that holds anything else."""
    if not (folder.exists() or folder.is_symlink()):
        return
    if not folder.is_dir() or folder.is_symlink() or {*folder.iterdir()} != {*folder.glob(_MADE_BY_US)}:
        raise UsageError(
            f"{shown(folder)} is not a folder of sound for a page, and is never replaced; move it away."
        )
    if not force:
        raise UsageError(f"{shown(folder)} exists already; use --force to replace it or choose another folder.")


def write_folder(folder: Path, listening: Listening, sheet: str, *, force: bool) -> None:
    """Write all blocks; the folder appears complete or not at all.

    Parameters
    ----------
    folder
        Where they go.
    listening
        The songs.
    sheet
        Hash of the sheet, by which the page knows its own sound.
    force
        Whether an earlier folder may be replaced.
    """
    token = secrets.token_hex(6)
    made, old = (folder.parent / f".autochain-{token}.{end}" for end in ("part", "old"))
    try:
        for number in range(listening.blocks):
            # Base64 and the hash hold nothing that would end a string.
            flacs = ",".join(f'"{flac}"' for flac in listening.block(number))
            try:
                write_text(made / f"{number:04d}.js", f'takeSound("{sheet}",{number},[{flacs}]);\n')
            except AudioFileError as error:  # called by the name that it would have had
                raise AudioFileError(str(error).replace(shown(made), shown(folder))) from error
        check_folder(folder, force=force)
        if folder.exists():
            folder.rename(old)
        made.rename(folder)
    except OSError as error:
        raise unwritable(folder, error) from error
    finally:
        for rest in (made, old):
            shutil.rmtree(rest, ignore_errors=True)
