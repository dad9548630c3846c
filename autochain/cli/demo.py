"""`autochain demo`: the main job on an invented mix."""

from pathlib import Path
from typing import Annotated

import typer

from autochain.cli import options
from autochain.demo import CHARACTERS
from autochain.units import clock

_FOLDER = Path("autochain-demo")
_LUFS = "Loudness to reach, -40 to 0 LUFS. Default: the character's own."
_CEILING = "Highest true peak, 0 dBTP or less. Default: the character's own."


def demo(
    out: Annotated[
        Path, typer.Option("--out", "-o", metavar="FOLDER", help="Write all files there.")
    ] = _FOLDER,
    character: Annotated[str, typer.Option("--character", help=f"One of {', '.join(CHARACTERS)}.")] = CHARACTERS[0],
    lufs: Annotated[float | None, typer.Option("--lufs", metavar="LUFS", help=_LUFS)] = None,
    ceiling: Annotated[float | None, typer.Option("--ceiling", metavar="DBTP", help=_CEILING)] = None,
    budget: options.Budget = None,
    seed: options.Seed = None,
    jobs: options.Jobs = -1,
    resume: options.Resume = False,
    whole: options.Whole = False,
    json: options.Json = False,
    force: options.Force = False,
) -> None:
    """Make an invented mix, find settings for it, and say where the files are.

    Example: autochain demo -o demo-folder --character sparse_acoustic
    """
    # Loaded when it is asked for: help is there at once.
    from autochain.cli.first_run import compile_first
    from autochain.cli.terminal import printing, terminal
    from autochain.tasks.demo import DemoRequest
    from autochain.tasks.demo import demo as run

    request = DemoRequest(
        out=out,
        character=character,
        lufs=lufs,
        ceiling_dbtp=ceiling,
        budget=budget,
        seed=seed,
        jobs=jobs,
        resume=resume,
        whole_songs=whole,
        force=force,
    )
    with printing() as show:
        made = run(
            request,
            terminal(compile_first, goes_on=True),
            lambda found: show(found.json() if json else found.markdown()),
        )
    found, stem = made.suggested, made.mix.stem
    length = clock(found.sheet.mix.duration_s)
    typer.echo(
        f"\nThe mix ({length}): {made.mix}\nThe page to look at and listen with: {out / f'{stem}.sheet.html'}\n"
        f"The sheet: {out / f'{stem}.sheet.md'} and .json\n"
        f"The rendered result: {out / f'{stem}.preview.wav'} (loud: start at a low volume)",
        err=json,
    )
    if not found.met:
        raise typer.Exit(options.TARGET_NOT_MET)
