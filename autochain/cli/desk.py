"""`autochain desk [FOLDER or MIX ...]`: the whole job on a page of this computer's own."""

import webbrowser
from pathlib import Path
from typing import Annotated

import typer

from autochain.cli import options


def desk(
    mixes: Annotated[
        list[Path] | None, typer.Argument(metavar="[FOLDER or MIX]...", help="Mixes; without any, this folder's.")
    ] = None,
    out: options.Out = None,
    port: Annotated[int, typer.Option("--port", help="Where it listens; 0 lets the system choose.")] = 0,
    no_browser: Annotated[bool, typer.Option("--no-browser", help="Print the address and open nothing.")] = False,
) -> None:
    """Turn, hear and decide on a page of this computer's own, from mixes to the files that go out.

    Example: autochain desk mixes -o masters
    """
    from autochain.cli.terminal import show
    from autochain.desk.desk import Desk
    from autochain.desk.folder import RESULTS
    from autochain.desk.server import serve

    sources = mixes or [Path()]
    first = sources[0] if sources[0].is_dir() else sources[0].parent
    made = Desk(sources, out or first / RESULTS)

    def ready(address: str) -> None:
        show(address)
        if not no_browser:
            webbrowser.open(address)

    try:
        serve(made, port, ready)
    finally:
        made.close()
