"""Entry point: dispatch, and errors we understand as one line and an exit code."""

import os
import sys

import typer

from autochain import __version__
from autochain.cli.check import check
from autochain.cli.compare import compare
from autochain.cli.demo import demo
from autochain.cli.suggest import suggest
from autochain.errors import AutochainError, StoppedError

app = typer.Typer(
    name="autochain",
    help="Starting settings for a staged mastering chain, measured on the mix at hand.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)
app.command()(check)
app.command()(suggest)
app.command()(compare)
app.command()(demo)


def _version(asked: bool) -> None:
    if asked:
        typer.echo(f"autochain {__version__}")
        raise typer.Exit


@app.callback()
def _options(
    version: bool = typer.Option(False, "--version", callback=_version, is_eager=True, help="Print the version."),
) -> None:
    """Starting settings for a staged mastering chain, measured on the mix at hand."""


def main() -> None:
    """Run the command line; an error that we understand is one line on stderr."""
    try:
        app()
    except AutochainError as error:
        typer.echo(f"autochain: {error}", err=True)
        if isinstance(error, StoppedError):
            # Trials may still run in threads; an orderly end of the interpreter would pull the ground from under them.
            sys.stdout.flush()
            sys.stderr.flush()
            os._exit(error.exit_code)
        sys.exit(error.exit_code)
