"""`autochain curve MIX`: what each loudness costs, and where it begins to cost more."""

from pathlib import Path
from typing import Annotated

import typer

from autochain.cli import options

NONE_REACHED = 3


def curve(
    mix: Annotated[Path, typer.Argument(metavar="MIX", help="The finished stereo mix.", show_default=False)],
    quiet: Annotated[float, typer.Option("--from", metavar="LUFS", help="Quietest loudness, -40 to 0 LUFS.")] = -14.0,
    loud: Annotated[float, typer.Option("--to", metavar="LUFS", help="Loudest loudness, -40 to 0 LUFS.")] = -6.0,
    step: Annotated[float, typer.Option("--step", metavar="LU", help="From point to point; 30 points at most.")] = 1.0,
    ceiling: options.Ceiling = None,
    out: options.Out = None,
    lock: options.Lock = None,
    without: options.Without = None,
    budget: Annotated[
        int | None,
        typer.Option("--budget", help="Trials of one suggestion: 60 % for the first point, 20 % for each other."),
    ] = None,
    seed: options.Seed = None,
    jobs: options.Jobs = -1,
    config: options.ConfigFile = None,
    silent: options.NoSound = False,
    tools: options.Tools = None,
    taste: options.Taste = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print the curve's JSON alone on stdout.")] = False,
    force: options.Force = False,
) -> None:
    """Find the best settings at each loudness from quiet to loud, and tell where loudness begins to cost more.

    Prints the curve and, with -o, writes MIX.curve.md, .html, .json and .csv, and each point's sheet. Exit code 0:
    some loudness was reached; 1: could not run; 2: wrong usage; 3: none was reached under the ceiling.

    Example: autochain curve mix.wav --from -14 --to -6 --step 1 -o curves
    """
    # Loaded when it is asked for: help is there at once.
    from autochain.cli.first_run import compile_first
    from autochain.cli.terminal import show, terminal
    from autochain.tasks.curve import CurveRequest
    from autochain.tasks.curve import curve as run

    request = CurveRequest(
        mix=mix,
        quiet_lufs=quiet,
        loud_lufs=loud,
        step_lu=step,
        ceiling_dbtp=ceiling,
        out=out,
        lock=lock or (),
        without=without or (),
        budget=budget,
        seed=seed,
        jobs=jobs,
        config=config,
        sound=not silent,
        tools=tools or (),
        taste=taste,
        force=force,
    )
    found = run(request, terminal(compile_first))
    show(found.json() if as_json else found.markdown())
    if not found.curve.reached:
        raise typer.Exit(NONE_REACHED)
