"""`autochain curve MIX`: what each loudness costs, and where it begins to cost more."""

from pathlib import Path
from typing import Annotated

import typer

from autochain.audio.files import check_output, read_mix, write_text
from autochain.cli import options
from autochain.cli.first_run import compile_first
from autochain.cli.progress import progress_bar
from autochain.config import read_config
from autochain.curve.as_data import to_csv, to_json
from autochain.curve.report import to_html, to_markdown
from autochain.curve.sheets import file_names, sheet_texts, with_sheets
from autochain.curve.targets import refuse_locked_drive, targets_lufs
from autochain.curve.trace import trace
from autochain.search.contradictions import refuse_contradictions
from autochain.solve.decisions import parse_decisions
from autochain.solve.inaudible import refuse_inaudible

NONE_REACHED = 3


def curve(
    mix: Annotated[Path, typer.Argument(metavar="MIX", help="The finished stereo mix.", show_default=False)],
    quiet: Annotated[float, typer.Option("--from", metavar="LUFS", help="Quietest loudness, -40 to 0 LUFS.")] = -14.0,
    loud: Annotated[float, typer.Option("--to", metavar="LUFS", help="Loudest loudness, -40 to 0 LUFS.")] = -6.0,
    step: Annotated[float, typer.Option("--step", metavar="LU", help="Between them; 30 points at most.")] = 1.0,
    ceiling: options.Ceiling = None,
    out: Annotated[
        Path | None,
        typer.Option("--out", "-o", metavar="FOLDER", help="Where the files go; without it nothing is written."),
    ] = None,
    lock: options.Lock = None,
    without: options.Without = None,
    budget: Annotated[
        int | None,
        typer.Option("--budget", help="Trials of one suggestion: 60 % for the first point, 20 % for each other."),
    ] = None,
    seed: options.Seed = None,
    jobs: options.Jobs = -1,
    config: options.ConfigFile = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print the curve's JSON alone on stdout.")] = False,
    force: options.Force = False,
) -> None:
    """Find the best settings at each loudness from quiet to loud, and tell where loudness begins to cost more.

    Prints the curve and, with -o, writes MIX.curve.md, .html, .json and .csv, and each point's sheet. Exit code 0:
    some loudness was reached; 1: could not run; 2: wrong usage; 3: none was reached under the ceiling.

    Example: autochain curve mix.wav --from -14 --to -6 --step 1 -o curves
    """
    targets = targets_lufs(quiet, loud, step)
    options.check_jobs(jobs)
    plan = read_config(config, options.overrides(targets[0], ceiling, seed, budget))
    decisions = parse_decisions(lock or [], without or [], plan.chain_plan)
    refuse_locked_drive(decisions)
    refuse_contradictions(decisions, plan, None)
    song = read_mix(mix)
    refuse_inaudible(song)
    if out is not None:
        check_output(out, file_names(mix.stem, targets), force, (mix,))
    with progress_bar() as show:
        compile_first(show)
        found = trace(song, plan, targets, decisions, jobs, show)
        drawn = with_sheets(found, mix.stem)
        page = to_markdown(drawn)
        if out is not None:
            out.mkdir(parents=True, exist_ok=True)
            for place, (point, sheet) in enumerate(drawn.points):
                show("drawing the pages", place / len(found.points))
                for kind, text in sheet_texts(song, point, sheet).items():
                    write_text(out / drawn.sheet_name(point, kind), text, force, (mix,))
    if out is not None:
        for kind, text in (
            ("csv", to_csv(found)),
            ("json", to_json(drawn)),
            ("html", to_html(drawn)),
            ("md", page),
        ):
            write_text(out / f"{mix.stem}.curve.{kind}", text, force, (mix,))
    typer.echo(to_json(drawn) if as_json else page, nl=False)
    if not found.reached:
        raise typer.Exit(NONE_REACHED)
