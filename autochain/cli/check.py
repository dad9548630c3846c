"""`autochain check MIX...`: whether mixes are ready to be worked on."""

from typing import Annotated

import typer

from autochain.cli import options

NOT_READY = 3


def check(
    mixes: options.Mixes,
    out: options.Out = None,
    config: options.ConfigFile = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print a JSON list alone on stdout.")] = False,
    strict: Annotated[bool, typer.Option("--strict", help="Exit code 3 unless every mix is ready.")] = False,
    force: options.Force = False,
) -> None:
    """Say whether each MIX is ready, usable with remarks, or should go back, with reasons and times.

    Of a FOLDER, its sound files are checked. With -o check.html shows and plays the places, .md and .json hold what is
    printed. Exit code 0 whatever the verdict (with --strict 3 unless all are ready); 1: a file could not be read, the
    others are still checked; 2: wrong usage.

    Example: autochain check song1.wav mixes -o checked --strict
    """
    # Loaded when it is asked for: help is there at once.
    from autochain.cli.first_check import compile_inspection
    from autochain.cli.terminal import show, terminal
    from autochain.tasks.check import CheckRequest
    from autochain.tasks.check import check as run

    found = run(CheckRequest(sources=mixes, out=out, config=config, force=force), terminal(compile_inspection))
    if found.checked or as_json:
        show(found.json() if as_json else found.markdown())
    if found.unread:
        raise typer.Exit(found.unread[0].exit_code)
    if strict and not found.all_ready:
        raise typer.Exit(NOT_READY)
