"""`autochain desk [FOLDER or MIX ...]`: the whole job on a page of this computer's own."""

import os
import sys
import threading
import webbrowser
from contextlib import suppress
from pathlib import Path
from typing import Annotated

import typer

from autochain.cli import options
from autochain.progress import Progress


def desk(
    mixes: Annotated[
        list[Path] | None,
        typer.Argument(
            metavar="MIX|FOLDER|LIST.toml...",
            help="The mixes: files, folders, lists in TOML; without any, the folder that you are in.",
            show_default=False,
        ),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            "-o",
            metavar="FOLDER",
            help="Where all results go. Default: the folder masters beside the first mix.",
        ),
    ] = None,
    config: options.ConfigFile = None,
    port: Annotated[
        int, typer.Option("--port", min=0, max=65535, help="Where it listens; 0 lets the system choose.")
    ] = 0,
    no_browser: Annotated[bool, typer.Option("--no-browser", help="Print the address and open nothing.")] = False,
) -> None:
    """Turn, hear and decide on a page of this computer's own, from mixes to the files that go out.

    Prints its address and opens it in the browser. The page is served on this computer alone and asks for the token in
    the address. What the other commands have left in the folder is there, and they go on with what the desk leaves.
    Ctrl-C ends it; nothing is lost but what is being computed. Exit code 0: ended; 1: the folder cannot be read or
    written, or another desk is on it; 2: wrong usage, or the port is taken.

    Example: autochain desk mixes -o masters
    """
    from autochain.cli.terminal import show
    from autochain.desk.desk import desk_on
    from autochain.desk.folder import RESULTS, folder_of_mixes
    from autochain.desk.server import listening, serve

    sources = mixes or [Path()]

    def ready(address: str, once: str) -> None:
        show(address + "\n")
        sys.stdout.flush()
        if not no_browser and _has_screen():
            # Some browsers are waited for until they end.
            threading.Thread(target=webbrowser.open, args=(once,), daemon=True).start()

    def first(progress: Progress) -> None:
        from autochain.cli.first_run import compile_first  # beside the server, which is there at once

        compile_first(progress)

    results = out or folder_of_mixes(sources) / RESULTS
    with listening(port) as listener, desk_on(sources, results, config, first) as made:
        serve(made, listener, ready)
    # Trials may still run in threads, which an orderly end of the interpreter would wait for; all is put away by now.
    with suppress(OSError):
        sys.stdout.flush()
    os._exit(0)


def _has_screen() -> bool:
    """Whether a browser has somewhere to show: where not, one in the terminal would take it away from us."""
    return sys.platform in ("win32", "darwin") or any(os.environ.get(name) for name in ("DISPLAY", "WAYLAND_DISPLAY"))
