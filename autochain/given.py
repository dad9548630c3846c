"""What a user types or writes by hand: read strictly, and shown back without harm."""

import json
import re
import tomllib
from pathlib import Path
from typing import Any

from autochain.errors import AutochainError, ConfigError, UnreadableError, printable, steers

# A limit of this project: a list of ten thousand songs is a tenth of it.
_MOST_BYTES = 16_000_000
_LONG_KEY = re.compile(r"(?:\.[ \t]*[\w\"'-]{1,80}[ \t]*){100}")
_LONGEST_WORD = 200


def name_shown(name: str) -> str:
    """Base name of a file for a document: bytes and characters that are no text escaped."""
    return "".join(ascii(c)[1:-1] if steers(c) else c for c in name)


def quoted(value: object) -> str:
    """A value for a message, cut where it is long."""
    try:
        text = repr(value)
    except ValueError:  # Python writes out no integer of thousands of digits
        text = "an integer of thousands of digits"
    return printable(text, _LONGEST_WORD)


def read_toml(path: Path, what: str) -> dict[str, Any]:
    """Read TOML that was written by hand.

    Parameters
    ----------
    path
        The file.
    what
        What names it, for messages, such as `--config`.

    Raises
    ------
    ConfigError
        When it does not exist, is too large, or is no TOML in UTF-8.
    UnreadableError
        When the system does not let it be read.
    """
    data = bytes_of(path, what, ConfigError)
    if len(data) > _MOST_BYTES:
        raise ConfigError(f"{path}: has {len(data) / 1e6:.0f} MB; {_MOST_BYTES / 1e6:.0f} is the most. Check {what}.")
    try:
        text = data.decode("utf-8")
        if _LONG_KEY.search(text):  # which take the parser minutes
            raise ConfigError(f"{path}: not valid TOML (a key of a hundred parts). Write it shorter.")
        return tomllib.loads(text)
    except RecursionError:
        raise ConfigError(f"{path}: not valid TOML (nested too deeply). Write it flatter.") from None
    except ValueError as error:  # no UTF-8, no TOML, a number of thousands of digits
        why = printable(str(error), _LONGEST_WORD)
        raise ConfigError(f"{path}: not valid TOML ({why}). Correct that line.") from None


def with_tuples(value: Any) -> Any:
    """TOML's lists as frozen models hold them, which take nothing for something else."""
    if isinstance(value, dict):
        return {key: with_tuples(one) for key, one in value.items()}
    return tuple(map(with_tuples, value)) if isinstance(value, list) else value


def bytes_of(path: Path, what: str, refused: type[AutochainError]) -> bytes:
    """Bytes of a file that a user names: `refused` where it is not there, UnreadableError where it cannot be read."""
    try:
        return path.read_bytes()
    except (FileNotFoundError, NotADirectoryError, IsADirectoryError) as error:
        raise refused(f"{path}: cannot be read ({error.strerror}). Check the path of {what}.") from None
    except (OSError, ValueError) as error:
        raise _unreadable_text(path, error) from None


def json_in(data: bytes) -> Any:
    """Values of a JSON text; ValueError with the reason, also for a key that is there twice and for NaN."""
    try:
        return json.loads(data, object_pairs_hook=_once, parse_constant=_no_number)
    except RecursionError:
        raise ValueError("nested too deeply") from None


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    values: dict[str, Any] = {}
    for key, value in pairs:
        if key in values:
            raise ValueError(f"the key {quoted(key)} is there twice")
        values[key] = value
    return values


def _no_number(name: str) -> Any:
    raise ValueError(f"{name} is no number")


def _unreadable_text(path: Path, error: Exception) -> UnreadableError:
    """Say why the system does not let a file be read."""
    reason = getattr(error, "strerror", None) or error
    return UnreadableError(f"{path}: cannot be read ({reason}). Check the name and the permissions.")
