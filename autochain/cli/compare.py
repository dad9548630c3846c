"""`autochain compare MIX MASTER`: what lies between two files."""

from pathlib import Path
from typing import Annotated

import typer

from autochain.audio.files import read_mix
from autochain.cli.progress import progress_bar
from autochain.compare import compare as compare_files
from autochain.compare.account import account
from autochain.compare.as_markdown import different_to_markdown, to_markdown
from autochain.errors import DifferentMaterialError


def compare(
    mix: Annotated[Path, typer.Argument(metavar="MIX", help="The mix.", show_default=False)],
    master: Annotated[Path, typer.Argument(metavar="MASTER", help="A master of it.", show_default=False)],
) -> None:
    """Say what lies between MIX and MASTER."""
    before, after = read_mix(mix), read_mix(master)
    try:
        with progress_bar() as show:
            found = compare_files(before, after, show)
    except DifferentMaterialError as error:
        typer.echo(different_to_markdown(before.file, after.file, str(error)), nl=False)
        raise typer.Exit(1) from None
    typer.echo(to_markdown(found, account(found)), nl=False)
