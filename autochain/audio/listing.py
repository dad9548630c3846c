"""Which sound files a folder holds."""

from pathlib import Path

from autochain.audio.blocks import shown
from autochain.errors import AudioFileError

# What a folder is searched for; a file that is named may have any ending.
ENDINGS = (".wav", ".flac", ".aif", ".aiff", ".ogg", ".mp3")


def sound_files(folder: Path) -> list[Path]:
    """Sound files that lie in a folder itself, by name; AudioFileError where it cannot be looked into."""
    try:
        return [path for path in sorted(folder.iterdir()) if path.suffix.lower() in ENDINGS and path.is_file()]
    except OSError as error:
        raise AudioFileError(
            f"{shown(folder)} cannot be looked into ({error.strerror}); check its permissions."
        ) from error
