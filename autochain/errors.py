"""Every exception the package raises on purpose; the exit code lives on the class.

A message has three parts: what is wrong with the value shown, where, and what to do.
"""


class AutochainError(Exception):
    """Something went wrong that we understand and can explain in one line."""

    exit_code = 1


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


class ParameterError(UsageError):
    """A stage setting outside its range, or a stage or parameter that does not exist."""


class TargetError(UsageError):
    """A target that contradicts itself."""
