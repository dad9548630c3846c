"""Every exception the package raises on purpose; the exit code lives on the class.

A message has three parts: what is wrong with the value shown, where, and what to do. Whatever a user has typed or
written comes back plain: nothing in a message steers a terminal, and no line of it is longer than a screen takes.
"""

import unicodedata

_TURNS = frozenset("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
_LONGEST_LINE = 1000  # characters


def printable(text: str, longest: int | None = None) -> str:
    """Text for a terminal: what would steer it escaped, line breaks kept, and cut where it is longer than `longest`."""
    escaped = "".join(c if c == "\n" or not steers(c) else ascii(c)[1:-1] for c in text)
    if longest is None or len(escaped) <= longest:
        return escaped
    return f"{escaped[: longest // 2]} ... {escaped[-longest // 4 :]}"


def steers(character: str) -> bool:
    """Whether a character is no text: control characters, half a pair, line and paragraph ends, turns of direction."""
    return unicodedata.category(character) in ("Cc", "Cs", "Zl", "Zp") or character in _TURNS


class AutochainError(Exception):
    """Something went wrong that we understand and can explain in one line."""

    exit_code = 1

    def __str__(self) -> str:
        return "\n".join(printable(line, _LONGEST_LINE) for line in super().__str__().split("\n"))


class AudioFileError(AutochainError):
    """A sound file that cannot be read, measured or written."""


class UnreadableError(AutochainError):
    """A text file that is there and cannot be read."""


class JournalError(AutochainError):
    """A journal of trials that cannot be used for going on."""


class RunningError(AutochainError):
    """Files that another process is writing."""


class DifferentMaterialError(AutochainError):
    """Two files that are no mix and master of each other."""


class StoppedError(AutochainError):
    """The user stopped the run before there was a result."""

    exit_code = 130  # 128 + SIGINT, as shells count


class TerminatedError(StoppedError):
    """Another process ended the run."""

    exit_code = 143  # 128 + SIGTERM


class UsageError(AutochainError):
    """A command line that asks for something impossible or contradictory."""

    exit_code = 2


class ConfigError(UsageError):
    """A configuration with unknown keys or values out of range."""


class SheetError(UsageError):
    """An earlier sheet that cannot be read, or that contradicts what is asked."""


class ChoicesError(UsageError):
    """A file of choices that cannot be read, or that contradicts what is asked."""


class ParameterError(UsageError):
    """A stage setting outside its range, or a stage or parameter that does not exist."""


class TargetError(UsageError):
    """A target that contradicts itself."""
