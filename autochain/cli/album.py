"""`autochain album FILES`: several songs that belong together."""

from typing import TYPE_CHECKING, Annotated

import typer

from autochain.album.levels import POLICIES, SAME
from autochain.cli import options
from autochain.cli.log import LogFile, NoLog, log_of
from autochain.errors import StoppedError

if TYPE_CHECKING:
    from autochain.album.run import Album

FAILED, MISSED = 1, 3


def album(
    sources: options.Mixes,
    out: options.Out = None,
    levels: Annotated[
        str, typer.Option("--levels", help="; ".join(f"{name}: {said}" for name, said in POLICIES.items()))
    ] = SAME,
    lufs: options.Lufs = None,
    ceiling: options.Ceiling = None,
    lock: options.Lock = None,
    without: options.Without = None,
    budget: options.Budget = None,
    seed: options.Seed = None,
    jobs: Annotated[
        int, typer.Option("--jobs", help="Tracks at the same time, 1 GB each; -1 for all cores. Changes only time.")
    ] = -1,
    config: options.ConfigFile = None,
    tools: options.Tools = None,
    taste: options.Taste = None,
    scheduler: Annotated[
        str | None,
        typer.Option("--scheduler", metavar="tcp://HOST:PORT", help="Dask scheduler whose workers do the tracks."),
    ] = None,
    same_settings: Annotated[
        float | None,
        typer.Option(
            "--same-settings",
            metavar="SCORE",
            help="Search once more with the same stages and times on all tracks; a track takes them where its score "
            "worsens by no more than this, such as 0.5.",
        ),
    ] = None,
    masters: Annotated[
        bool, typer.Option("--masters", help="Also render every track to a 24-bit WAV, as render does.")
    ] = False,
    resume: Annotated[
        bool, typer.Option("--resume", help="Do only the tracks that are missing or whose mix or request changed.")
    ] = False,
    silent: options.NoSound = False,
    log: LogFile = None,
    no_log: NoLog = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print the overview's JSON alone on stdout.")] = False,
    force: options.Force = False,
) -> None:
    """Find settings for several songs whose loudness fits each other.

    Writes a sheet for each track and album.html, .md and .json over all. Exit code 0: every target was reached; 1: some
    track could not be done, the others are; 2: wrong usage; 3: some target was not reached.

    Example: autochain album mixes --levels relations --lufs -9 -o masters
    """
    # Loaded when it is asked for: help is there at once.
    from autochain.album.workers import end_processes
    from autochain.cli.first_run import compile_first
    from autochain.cli.terminal import show, terminal
    from autochain.tasks.album import AlbumRequest
    from autochain.tasks.album import album as run

    request = AlbumRequest(
        sources=sources,
        out=options.needed(out, "album"),
        levels=levels,
        lufs=lufs,
        ceiling_dbtp=ceiling,
        lock=lock or (),
        without=without or (),
        budget=budget,
        seed=seed,
        jobs=jobs,
        config=config,
        tools=tools or (),
        taste=taste,
        scheduler=scheduler,
        same_settings=same_settings,
        masters=masters,
        resume=resume,
        sound=not silent,
        force=force,
        log=log_of(log, no_log),
    )
    try:
        made = run(request, terminal(compile_first))
    except KeyboardInterrupt:
        end_processes()
        raise StoppedError(
            "Stopped; the tracks that were done are kept. Give the same command with --resume to go on."
        ) from None
    for failure in made.failures:
        typer.echo(f"{failure.file}: {failure.reason}", err=True)
    typer.echo(_searched(made.album), err=True)
    show(made.json() if as_json else made.markdown())
    if not made.all_done:
        raise typer.Exit(FAILED)
    if not made.all_met:
        raise typer.Exit(MISSED)


def _searched(found: "Album") -> str:
    if found.same_settings is None:
        return f"{found.redone} of {len(found.tracks)} tracks searched"
    return f"{found.redone} searches for {len(found.tracks)} tracks"
