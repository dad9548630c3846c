"""`autochain suggest MIX`: starting settings for one mix."""

import json
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer

from autochain.audio.files import check_output, read_mix, write_text, write_wav
from autochain.audio.mix import Mix
from autochain.chain.output import with_silence
from autochain.cli import options
from autochain.cli.first_run import compile_first
from autochain.cli.interrupt import asked_to_stop
from autochain.cli.log import LogFile, NoLog, log_of, write_log
from autochain.cli.progress import progress_bar
from autochain.config import Config, read_config
from autochain.earlier.around import Around, stay_near
from autochain.earlier.read import read_sheet
from autochain.earlier.same_song import another_song
from autochain.errors import UsageError
from autochain.log.entry import render_entry
from autochain.page import check_folder, listening_to, sheet_hash, thirds_of, to_html, write_folder
from autochain.search.contradictions import refuse_contradictions
from autochain.search.journal import Journal
from autochain.search.request import RunOptions, SuggestRequest, request_of
from autochain.search.run import suggest as search
from autochain.search.toward_references import read_references
from autochain.sheet import Sheet, build_sheet, to_json, to_markdown
from autochain.sheet.words import CAUTION
from autochain.solve.decisions import Decisions, parse_decisions
from autochain.solve.inaudible import refuse_inaudible

TARGET_NOT_MET = 3


def make_sheet(
    mix_path: Path,
    out: Path,
    config: Config,
    decisions: Decisions,
    jobs: int,
    force: bool,
    preview: bool,
    resume: bool = False,
    near: Around | None = None,
    sources: tuple[Path, ...] = (),
    references: Sequence[Path] = (),
    log: Path | None = None,
    sound: bool = True,
    whole: bool = False,
    another: bool = False,
) -> Sheet:
    """Search, write the sheet (and the preview) and return it; outputs are checked before the long run.

    Trials are kept in a journal beside the sheet until the search has come to its end. `log` gets a line, if any.
    The page plays places of the song, nothing without `sound`, and with `whole` all of it, from a folder beside it.
    A sheet of another song is refused as what to stay near, unless `another` says that this is meant.
    """
    options.check_jobs(jobs)
    refuse_contradictions(decisions, config, None if near is None else near.held)
    stem, sources = mix_path.stem, (mix_path, *sources, *references)
    names = [f"{stem}.sheet.json", f"{stem}.sheet.md", f"{stem}.sheet.html"]
    if preview:
        names += [f"{stem}.preview.wav", f"{stem}.preview.txt"]
    mix = read_mix(mix_path)
    refuse_inaudible(mix)
    if near is not None and not another:
        _ask_about_another_song(near, mix)
    beside = read_references(references)
    kept = out / f"{stem}.journal.jsonl"
    force = force or (resume and _stopped_early(out / names[0]))
    check_output(out, names, force, sources)
    folder = f"{stem}.sheet.sound" if whole else None
    if folder is not None:
        check_folder(out / folder, force=force)
    if kept.exists() and not (resume or force):
        raise UsageError(
            f"{kept} is what a stopped run has left. Go on with --resume, or start anew with --force."
        )
    out.mkdir(parents=True, exist_ok=True)
    with (
        asked_to_stop() as stop,
        Journal(
            kept, request_of(mix.sha256, config, decisions, near, [r.sha256 for r in beside]), resume=resume
        ) as journal,
        progress_bar() as show,
    ):
        if journal.resumed:
            show(f"going on after {journal.resumed} trials", 0.0)
        compile_first(show)
        asked = SuggestRequest(mix=mix, config=config, decisions=decisions, near=near, references=beside)
        found = search(asked, RunOptions(jobs=jobs, progress=show, journal=journal, stop=stop))
        show("drawing the page", 0.0)
        sheet = build_sheet(found)
        thirds = thirds_of(found)
        listening = listening_to(found, sheet, whole=whole) if sound else None
        page = to_html(found, sheet, listening, folder, thirds=thirds)
    if preview:
        write_text(out / f"{stem}.preview.txt", CAUTION + "\n", force, sources)
        seed = config.search.seed
        heard = with_silence(found.samples, mix.rate_hz, found.chosen.settings.get("output", {}))
        write_wav(out / f"{stem}.preview.wav", heard, mix.rate_hz, seed, force, sources)
    if listening is not None and folder is not None:
        write_folder(out / folder, listening, sheet_hash(sheet), force=force)
        del listening
    write_text(out / f"{stem}.sheet.html", page, force, sources)
    write_text(out / f"{stem}.sheet.md", to_markdown(sheet), force, sources)
    write_text(out / f"{stem}.sheet.json", to_json(sheet), force, sources)
    if sheet.search.complete:
        journal.remove()
    write_log(log, lambda: render_entry("suggest", mix, found.before, found.chosen.after, thirds))
    return sheet


def _ask_about_another_song(near: Around, mix: Mix) -> None:
    """Let a mix pass that is of the sheet's song; else ask, where somebody is there to answer."""
    doubt = another_song(near.sheet, mix)
    if doubt is None:
        return
    asked = sys.stdin.isatty() and sys.stderr.isatty()
    if asked and typer.confirm(f"{doubt} Search around it all the same?", err=True):
        return
    raise UsageError(f"{doubt} Check both files, or add --another-song if this is meant.")


def _stopped_early(path: Path) -> bool:
    """Whether a sheet is the best so far of a run that was stopped: going on may replace it."""
    try:
        return json.loads(path.read_text(encoding="utf-8"))["search"]["complete"] is False
    except (OSError, ValueError, KeyError, TypeError):
        return False


def suggest(
    mix: Annotated[Path, typer.Argument(metavar="MIX", help="The finished stereo mix.", show_default=False)],
    lufs: options.Lufs = None,
    loudest_part: options.LoudestPart = None,
    ceiling: options.Ceiling = None,
    out: Annotated[Path, typer.Option("--out", "-o", metavar="FOLDER", help="Where the sheet goes.")] = Path(),
    preview: Annotated[bool, typer.Option("--preview", help="Also write the rendered result, 24-bit.")] = False,
    lock: options.Lock = None,
    without: options.Without = None,
    around: options.Around = None,
    another: options.AnotherSong = False,
    budget: options.Budget = None,
    seed: options.Seed = None,
    jobs: options.Jobs = -1,
    config: options.ConfigFile = None,
    reference: options.References = None,
    resume: options.Resume = False,
    as_json: options.Json = False,
    silent: Annotated[
        bool, typer.Option("--no-sound", help="Leave the excerpts to listen to out of the page: megabytes less.")
    ] = False,
    whole: options.Whole = False,
    log: LogFile = None,
    no_log: NoLog = False,
    force: options.Force = False,
) -> None:
    """Find starting settings that bring MIX to a loudness under a true-peak ceiling.

    Writes MIX.sheet.html (pictures and listening), .md and .json, and prints the sheet. Exit code 0: target reached; 1:
    could not run; 2: wrong usage; 3: target not reached, the closest result was written. Ctrl-C ends the search with
    the best so far; --resume goes on later.

    Example: autochain suggest mix.wav --lufs -9 --ceiling -1 -o masters --preview
    """
    earlier = None if around is None else read_sheet(around)
    target = None if earlier is None else earlier.target
    plan = read_config(config, options.overrides(lufs, ceiling, seed, budget, loudest_part, target))
    decisions, near = parse_decisions(lock or [], without or [], plan.chain_plan), None
    if earlier is not None:
        decisions, near = stay_near(earlier, decisions, plan)
        same = "its own" if plan.target == earlier.target else "asked for now"
        typer.echo(f"around {earlier.file}: the target is {same}", err=True)
    if another and earlier is None:
        raise UsageError("--another-song says something of the sheet given with --around, and none is. Drop it.")
    if silent and whole:
        raise UsageError("--no-sound leaves out what --whole-songs puts beside the page. Drop one of them.")
    where = log_of(log, no_log)
    sources = () if around is None else (around,)
    sheet = make_sheet(
        mix,
        out,
        plan,
        decisions,
        jobs,
        force,
        preview,
        resume,
        near,
        sources,
        reference or (),
        where,
        sound=not silent,
        whole=whole,
        another=another,
    )
    typer.echo(to_json(sheet) if as_json else to_markdown(sheet), nl=False)
    if not sheet.met:
        raise typer.Exit(TARGET_NOT_MET)
