"""`autochain tool signal KIND` and `autochain tool read BOUNCE...`: your own processors, measured."""

from pathlib import Path
from typing import Annotated

import typer

from autochain.cli import options

tool = typer.Typer(
    name="tool",
    help="Measure a processor of your own, so that a sheet can tell what to set on it.",
    no_args_is_help=True,
    rich_markup_mode=None,
)


@tool.command("signal")
def tool_signal(
    kind: Annotated[
        str,
        typer.Argument(metavar="KIND", help="compressor, limiter, clipper, equaliser or anything.", show_default=False),
    ],
    out: options.Out = None,
    rate: Annotated[int, typer.Option("--rate", metavar="HZ", help="44100, 48000, 88200 or 96000.")] = 48000,
    force: options.Force = False,
) -> None:
    """Write the test that is played through a processor: KIND.test.wav, and KIND.test.txt with what to do.

    It has loud tones and clicks: turn your monitors down. Only the one processor may be in the path, and every knob has
    to be noted down. Exit code 0: written; 1: could not run; 2: wrong usage.

    Example: autochain tool signal compressor -o tests
    """
    # Loaded when it is asked for: help is there at once.
    from autochain.tasks.tool import SignalRequest, write_signal

    made = write_signal(SignalRequest(kind=kind, out=options.needed(out, "tool signal"), rate_hz=rate, force=force))
    typer.echo(made.told, nl=False)


@tool.command("read")
def tool_read(
    bounces: Annotated[
        list[Path], typer.Argument(metavar="BOUNCE...", help="Bounces of the test.", show_default=False)
    ],
    kind: Annotated[
        str,
        typer.Option("--kind", metavar="KIND", help="compressor, limiter, clipper or equaliser.", show_default=False),
    ],
    name: Annotated[str, typer.Option("--name", metavar="NAME", help="What you call it.", show_default=False)],
    settings: Annotated[
        list[str],
        typer.Option(
            "--set",
            metavar="KNOBS",
            help='Knobs as they stood, "threshold=-20 ratio=2"; one for each bounce; word by attack:Speed=10.',
            show_default=False,
        ),
    ],
    knobs: Annotated[
        str,
        typer.Option("--knobs", metavar="KNOBS", help='Ends and steps, "attack=0.1:30:0.1 ratio=2|4|10".'),
    ] = "",
    out: options.Out = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print the JSON alone on stdout.")] = False,
    force: options.Force = False,
) -> None:
    """Read a processor from bounces of its test: curve, times, detector, and what its knobs mean.

    With -o it writes NAME.tool.toml, for --tools of suggest, and a page with pictures. Two or three bounces at other
    settings tell what the knobs mean between. What is wrong with a bounce is told, or it is refused with the reason.
    Exit code 0: read; 1: could not run; 2: wrong usage, or a bounce that cannot be read.

    Example: autochain tool read bounce.wav --kind compressor --name bus1 --set "threshold=-20 ratio=2 attack=10
    release=100" -o tools
    """
    # Loaded when it is asked for: help is there at once.
    from autochain.cli.terminal import terminal
    from autochain.tasks.tool import ToolReadRequest, read_a_tool

    request = ToolReadRequest(
        bounces=bounces, kind=kind, name=name, settings=settings, knobs=knobs, out=out, force=force
    )
    found = read_a_tool(request, terminal())
    typer.echo(found.json() if as_json else found.markdown(), nl=False)
