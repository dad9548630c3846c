"""Entry point: dispatch, and errors we understand as one line and an exit code."""

import os
import sys
from collections.abc import Iterable
from importlib import import_module

import typer

from autochain import __version__
from autochain.errors import AutochainError, StoppedError

# Each the function of that name in the module of that name.
_COMMANDS = ("check", "suggest", "curve", "album", "render", "compare", "demo")


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
        app.command()(getattr(import_module(f"autochain.cli.{name}"), name))
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
    # What another command needs is not loaded: half a second.
    asked = [name for name in _COMMANDS if sys.argv[1:2] == [name]]
    try:
        _app(asked or _COMMANDS)()
    except AutochainError as error:
        typer.echo(f"autochain: {error}", err=True)
        if isinstance(error, StoppedError):
            # Trials may still run in threads; an orderly end of the interpreter would pull the ground from under them.
            sys.stdout.flush()
            sys.stderr.flush()
            os._exit(error.exit_code)
        sys.exit(error.exit_code)
