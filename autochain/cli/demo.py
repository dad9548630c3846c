"""`autochain demo [FOLDER]`: the main job on an invented mix."""

import re
from pathlib import Path
from typing import Annotated

import typer

from autochain.audio.files import check_output, write_text, write_wav
from autochain.cli import options
from autochain.cli.progress import progress_bar
from autochain.cli.suggest import TARGET_NOT_MET, make_sheet
from autochain.config import read_config
from autochain.demo import CHARACTERS, demo_song
from autochain.page import check_folder
from autochain.sheet import to_json, to_markdown
from autochain.sheet.words import CAUTION
from autochain.solve.decisions import Decisions
from autochain.units import clock

_RATE_HZ = 44100
_LUFS = "Loudness to reach, -40 to 0 LUFS. Default: the character's own."
_CEILING = "Highest true peak, 0 dBTP or less. Default: the character's own."


def demo(
    folder: Annotated[Path, typer.Argument(help="Where mix and sheet go.")] = Path("autochain-demo"),
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

    Example: autochain demo demo-folder --character sparse_acoustic
    """
    song = demo_song(character)
    target = song.target_lufs if lufs is None else lufs
    peak = song.ceiling_dbtp if ceiling is None else ceiling
    plan = read_config(None, options.overrides(target, peak, seed, budget))
    options.check_jobs(jobs)
    mix = folder / f"{'-'.join(re.findall('[a-z0-9]+', song.title.lower()))}.wav"
    stem = mix.stem
    ends = ("txt", "sheet.html", "sheet.json", "sheet.md", "preview.wav")
    names = [mix.name, *(f"{stem}.{end}" for end in ends)]
    # A run that was stopped has its mix already, and is checked for what else is there when it goes on.
    if not (resume and mix.exists()):
        check_output(folder, [*names, f"{stem}.preview.txt"], force)
        if whole:
            check_folder(folder / f"{stem}.sheet.sound", force=force)
        with progress_bar() as show:
            show("playing the demo mix", 0.0)
            from autochain.demo import make_demo

            samples = make_demo(character, _RATE_HZ)
        write_wav(mix, samples, _RATE_HZ, plan.search.seed, force)
        write_text(folder / f"{stem}.txt", CAUTION + "\n", force)
    sheet = make_sheet(mix, folder, plan, Decisions(), jobs, force, preview=True, resume=resume, whole=whole)
    typer.echo(to_json(sheet) if json else to_markdown(sheet), nl=False)
    length = clock(sheet.mix.duration_s)
    typer.echo(
        f"\nThe mix ({length}): {mix}\nThe page to look at and listen with: {folder / f'{stem}.sheet.html'}\n"
        f"The sheet: {folder / f'{stem}.sheet.md'} and .json\n"
        f"The rendered result: {folder / f'{stem}.preview.wav'} (loud: start at a low volume)",
        err=json,
    )
    if not sheet.met:
        raise typer.Exit(TARGET_NOT_MET)
