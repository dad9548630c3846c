"""`autochain suggest MIX`: starting settings for one mix."""

from pathlib import Path
from typing import Annotated

import typer

from autochain.cli import options
from autochain.cli.log import LogFile, NoLog, log_of


def suggest(
    mix: Annotated[Path, typer.Argument(metavar="MIX", help="The finished stereo mix.", show_default=False)],
    lufs: options.Lufs = None,
    loudest_part: options.LoudestPart = None,
    ceiling: options.Ceiling = None,
    out: options.Out = None,
    preview: Annotated[bool, typer.Option("--preview", help="Also write the rendered result, 24-bit.")] = False,
    lock: options.Lock = None,
    without: options.Without = None,
    around: options.AroundSheet = None,
    another: options.AnotherSong = False,
    budget: options.Budget = None,
    seed: options.Seed = None,
    jobs: options.Jobs = -1,
    config: options.ConfigFile = None,
    taste: options.Taste = None,
    reference: options.References = None,
    tools: options.Tools = None,
    resume: options.Resume = False,
    as_json: options.Json = False,
    silent: options.NoSound = False,
    whole: options.Whole = False,
    log: LogFile = None,
    no_log: NoLog = False,
    force: options.Force = False,
) -> None:
    """Find starting settings that bring MIX to a loudness under a true-peak ceiling.

    Prints the sheet, and with -o writes MIX.sheet.html (pictures and listening), .md and .json. Exit code 0: target
    reached; 1: could not run; 2: wrong usage; 3: target not reached, the closest result is given. Ctrl-C ends the
    search with the best so far; --resume goes on later.

    Example: autochain suggest mix.wav --lufs -9 --ceiling -1 -o masters --preview
    """
    # Loaded when it is asked for: help is there at once.
    from autochain.cli.first_run import compile_first
    from autochain.cli.terminal import printing, terminal
    from autochain.tasks.suggest import SuggestRequest
    from autochain.tasks.suggest import suggest as run

    request = SuggestRequest(
        mix=mix,
        lufs=lufs,
        loudest_part_lufs=loudest_part,
        ceiling_dbtp=ceiling,
        out=out,
        preview=preview,
        lock=lock or (),
        without=without or (),
        around=around,
        another_song=another,
        references=reference or (),
        tools=tools or (),
        budget=budget,
        seed=seed,
        jobs=jobs,
        config=config,
        taste=taste,
        resume=resume,
        sound=not silent,
        whole_songs=whole,
        force=force,
        log=log_of(log, no_log),
    )
    with printing() as show:
        found = run(
            request,
            terminal(compile_first, goes_on=out is not None),
            lambda found: show(found.json() if as_json else found.markdown()),
        )
    if not found.met:
        raise typer.Exit(options.TARGET_NOT_MET)
