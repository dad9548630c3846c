"""Entry point: dispatch, and errors we understand as one line and an exit code."""

import errno
import gc
import os
import sys
import traceback
import unicodedata
from collections.abc import Iterable, Sequence
from contextlib import suppress
from importlib import import_module
from pathlib import Path

import typer

from autochain import __version__
from autochain.cli.ending import ended_in_order
from autochain.cli.terminal import say
from autochain.errors import AutochainError, StoppedError, UsageError, printable
from autochain.resources import keep_compiled_code

# With it set, a fault of the program shows where it happened in full.
_ALL_OF_IT = "AUTOCHAIN_TRACEBACK"
_LONGEST_ARGUMENT = 10_000  # twice the longest path of common systems
_TAKES_NOTHING = (errno.ENOSPC, errno.EIO, errno.EFBIG, errno.EBADF)
_MOST_WORDS = 200  # characters of an error that nobody foresaw

# Each the function of that name in the module of that name, or a group of them.
_COMMANDS = ("check", "suggest", "curve", "album", "render", "compare", "tool", "desk", "demo")


def _app(commands: Iterable[str]) -> typer.Typer:
    app = typer.Typer(
        name="autochain",
        help="Starting settings for a staged mastering chain, measured on the mix at hand.",
        no_args_is_help=True,
        add_completion=False,
        pretty_exceptions_enable=False,
        rich_markup_mode=None,
    )
    app.callback()(_options)
    for name in commands:
        command = getattr(import_module(f"autochain.cli.{name}"), name)
        if isinstance(command, typer.Typer):
            app.add_typer(command)
        else:
            app.command()(command)
    return app


def _version(asked: bool) -> None:
    if asked:
        typer.echo(f"autochain {__version__}")
        raise typer.Exit


def _options(
    version: bool = typer.Option(False, "--version", callback=_version, is_eager=True, help="Print the version."),
) -> None:
    """Starting settings for a staged mastering chain, measured on the mix at hand."""


def main() -> None:
    """Run the command line; an error that we understand is one line on stderr."""
    # Before numpy is loaded. Our products of matrices are small: more threads wait for each other with busy loops,
    # which takes as much time as everything else that `check` does.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # Until the work begins. Modules stay; to look through them for what may go takes a tenth of the time.
    gc.disable()
    kept = keep_compiled_code()
    if kept is not None:
        say(f"autochain: its own folder and the home cannot be written; compiled code goes to {kept}")
    # What another command needs is not loaded: half a second, and two where only the version is asked for.
    first = sys.argv[1:2]
    asked = [name for name in _COMMANDS if first == [name]]
    try:
        _refuse_arguments(sys.argv[1:])
        with ended_in_order():
            _app(_COMMANDS if not asked and first != ["--version"] else asked)()
    except AutochainError as error:
        say(f"autochain: {error}")
        if isinstance(error, StoppedError):
            # Trials may still run in threads; an orderly end of the interpreter would pull the ground from under them.
            with suppress(OSError):
                sys.stdout.flush()
                sys.stderr.flush()
            os._exit(error.exit_code)
        sys.exit(error.exit_code)
    except Exception as error:  # the last resort: one line in place of a page, and nothing half-written is left by then
        if os.environ.get(_ALL_OF_IT):
            raise
        refused = _refused_output(error)
        if refused is None:
            say(f"autochain: {_fault(error)}")
        else:
            say(f"autochain: the result cannot be printed ({refused}). Files that were asked for are written.")
        sys.exit(1)


def _refuse_arguments(arguments: Sequence[str]) -> None:
    """Refuse what no command takes, and what would steer the terminal in the parser's own messages."""
    for argument in arguments:
        if len(argument) > _LONGEST_ARGUMENT:
            raise UsageError(
                f"an argument has {len(argument)} characters ({printable(argument, 60)}); "
                f"{_LONGEST_ARGUMENT} is the most. Shorten it."
            )
        if any(unicodedata.category(c) == "Cc" for c in argument) and not Path(argument).exists():
            raise UsageError(f"the argument {printable(argument, 200)} holds a control character. Write it without.")


def _refused_output(error: Exception) -> str | None:
    """Why stdout takes nothing, such as a full disk; None where it does. It is let go, so that the end is in order."""
    # Of all that is written, it alone has no name.
    if not isinstance(error, OSError) or error.filename is not None or error.errno not in _TAKES_NOTHING:
        return None
    with suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return error.strerror or type(error).__name__


def _fault(error: Exception) -> str:
    """One line for what nobody foresaw."""
    frames = traceback.extract_tb(error.__traceback__)
    own = [frame for frame in frames if f"{os.sep}autochain{os.sep}" in frame.filename] or frames
    where = f"{Path(own[-1].filename).name}, line {own[-1].lineno}" if own else "an unknown place"
    what = "".join(c if c.isprintable() else " " for c in str(error))[:_MOST_WORDS]
    return (
        f"a fault of the program, not of yours: {type(error).__name__}{f' ({what})' if what else ''} in {where}. "
        f"Please report it with the command; {_ALL_OF_IT}=1 before the command shows all of it."
    )
