"""`autochain render MIX --sheet SHEET`: the files that go out."""

from pathlib import Path
from typing import Annotated

import typer

from autochain.cli import options
from autochain.cli.log import LogFile, NoLog, log_of


def render(
    mix: Annotated[Path, typer.Argument(metavar="MIX", help="The mix that the sheet is for.", show_default=False)],
    sheet: Annotated[
        Path, typer.Option("--sheet", metavar="SHEET", help="Its sheet (JSON), edited or not.", show_default=False)
    ],
    out: options.Out = None,
    also: Annotated[
        list[str] | None,
        typer.Option(
            "--also",
            metavar="FORMAT",
            help="In addition to the 24-bit WAV: wav16, flac24@48000, mp3:320, opus:192, vorbis:8; repeatable.",
        ),
    ] = None,
    alternate: Annotated[
        list[Path] | None,
        typer.Option(
            "--alternate",
            metavar="FILE",
            help="Another version of the song (instrumental, voices only): same settings, same drive; repeatable.",
        ),
    ] = None,
    solve: Annotated[
        bool, typer.Option("--solve", help="Set the drive anew for the sheet's target, after changes by hand.")
    ] = False,
    coders: Annotated[
        bool, typer.Option("--coders", help="Measure what the usual lossy coders add to the peaks.")
    ] = False,
    on_tools: Annotated[
        bool,
        typer.Option(
            "--on-tools", help="Render what your own tools give, by their models, set as the sheet's column has them."
        ),
    ] = False,
    tools: Annotated[
        list[Path] | None,
        typer.Option(
            "--tools",
            metavar="FILE",
            help="The same with these files (NAME.tool.toml); for a sheet without that column they are set now; "
            "repeatable.",
        ),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print the JSON alone on stdout.")] = False,
    force: options.Force = False,
    log: LogFile = None,
    no_log: NoLog = False,
) -> None:
    """Render MIX with the settings of a sheet and write the files that go out, measured after writing.

    Writes MIX.master.wav (24 bit) and what --also names, and MIX.delivery.md, .html, .json and .csv. The settings are
    taken as they stand on the sheet; the ceiling holds in any case. Exit code 0: done; 1: could not run; 2: wrong
    usage; 3: --solve did not reach the target.

    Example: autochain render mix.wav --sheet masters/mix.sheet.json -o masters --also wav16 --also mp3:320
    """
    # Loaded when it is asked for: help is there at once.
    from autochain.cli.first_run import compile_first
    from autochain.cli.terminal import show, terminal
    from autochain.tasks.render import RenderRequest
    from autochain.tasks.render import render as run

    request = RenderRequest(
        mix=mix,
        sheet=sheet,
        out=options.needed(out, "render"),
        also=also or (),
        alternates=alternate or (),
        solve=solve,
        coders=coders,
        on_tools=on_tools,
        tools=tools or (),
        force=force,
        log=log_of(log, no_log),
    )
    made = run(request, terminal(compile_first))
    show(made.json() if as_json else made.markdown())
    if made.met is False:
        raise typer.Exit(options.TARGET_NOT_MET)
