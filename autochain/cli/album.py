"""`autochain album FILES`: several songs that belong together."""

import math
from contextlib import nullcontext
from pathlib import Path
from typing import Annotated

import typer

from autochain.album.as_json import to_json
from autochain.album.cluster import cluster
from autochain.album.levels import OFFSETS, POLICIES, SAME
from autochain.album.masters import master_names, write_masters
from autochain.album.record import file_names
from autochain.album.report import OVERVIEW_FILES, to_html, to_markdown
from autochain.album.run import Album, AlbumPlan, run
from autochain.album.same_settings import FOLDER
from autochain.album.tracks import find_tracks
from autochain.album.workers import end_processes
from autochain.audio.files import check_output, write_text
from autochain.cli import options
from autochain.cli.first_run import compile_first
from autochain.cli.log import LogFile, NoLog, log_of, write_log
from autochain.cli.progress import progress_bar
from autochain.config import read_config
from autochain.errors import StoppedError, UsageError
from autochain.search.space import parse_decisions

FAILED, MISSED = 1, 3


def album(
    sources: Annotated[
        list[Path], typer.Argument(metavar="MIX|FOLDER|LIST.toml ...", help="The mixes.", show_default=False)
    ],
    out: Annotated[Path, typer.Option("--out", "-o", metavar="FOLDER", help="Where everything goes.")],
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
    options.check_jobs(jobs)
    if levels not in POLICIES:
        raise UsageError(f"--levels {levels} does not exist. Choose {', '.join(POLICIES)}.")
    if same_settings is not None and not 0.0 <= same_settings < math.inf:
        raise UsageError(f"--same-settings {same_settings:g} is not possible. Choose 0 or more points of score.")
    tracks = find_tracks(sources)
    if levels == OFFSETS and not any(track.offset_lu for track in tracks):
        raise UsageError("--levels offsets needs offset_lu in a list in TOML, and there is none. Write the list.")
    plan = read_config(config, options.overrides(lufs, ceiling, seed, budget))
    decisions = parse_decisions(lock or [], without or [], plan.chain_plan)
    kept = (*(path for track in tracks for path in track.paths), *(source for source in sources if source.is_file()))
    written = [*OVERVIEW_FILES, *(name for track in tracks for name in file_names(track.stem))]
    if masters:
        written += [name for track in tracks for name in master_names(track)]
    check_output(out, written, force or resume, kept)
    if same_settings is not None:
        again = [name for track in tracks for name in file_names(track.stem)]
        check_output(out / FOLDER, again, force or resume, kept)
    where = log_of(log, no_log)
    asked = AlbumPlan(
        tracks=tracks, policy=levels, config=plan, decisions=decisions, out=out, jobs=jobs, force=force, resume=resume,
        same_within=same_settings,
    )  # fmt: skip
    with progress_bar() as show:
        compile_first(show)
        try:
            with nullcontext() if scheduler is None else cluster(scheduler, show) as hand_out:
                found = run(asked, show, lambda entry: write_log(where, lambda: entry), hand_out)
        except KeyboardInterrupt:
            end_processes()
            raise StoppedError(
                "Stopped; the tracks that were done are kept. Give the same command with --resume to go on."
            ) from None
        failures = write_masters(found, out, force, resume, show) if masters else []
    texts = {"album.md": to_markdown(found), "album.html": to_html(found), "album.json": to_json(found)}
    for name in OVERVIEW_FILES:
        write_text(out / name, texts[name], force or resume, kept)
    for failure in failures:
        typer.echo(f"{failure.file}: {failure.reason}", err=True)
    typer.echo(_searched(found), err=True)
    typer.echo(texts["album.json"] if as_json else texts["album.md"], nl=False)
    if failures or len(found.done) < len(tracks):
        raise typer.Exit(FAILED)
    if not all(record.met for record in found.done):
        raise typer.Exit(MISSED)


def _searched(found: Album) -> str:
    if found.same_settings is None:
        return f"{found.redone} of {len(found.tracks)} tracks searched"
    return f"{found.redone} searches for {len(found.tracks)} tracks"
