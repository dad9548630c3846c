"""`autochain render MIX --sheet SHEET`: the files that go out."""

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any

import typer

from autochain.audio.files import check_output, read_mix, write_text
from autochain.cli import options
from autochain.cli.first_run import compile_first
from autochain.cli.log import LogFile, NoLog, log_of, write_log
from autochain.cli.progress import progress_bar
from autochain.config import read_config
from autochain.errors import UsageError
from autochain.log.entry import render_entry
from autochain.measure.band_changes import band_changes
from autochain.measure.measurement import measure
from autochain.measure.spectrum import measure_spectrum
from autochain.render.as_data import to_csv, to_json
from autochain.render.as_markdown import to_markdown
from autochain.render.delivery import deliver, names_of
from autochain.render.formats import parse_exports
from autochain.render.master import refuse_other_mix
from autochain.render.planned import planned
from autochain.search.faint import refuse_faint
from autochain.sheet.read import read_sheet

TARGET_NOT_MET = 3


def render(
    mix: Annotated[Path, typer.Argument(metavar="MIX", help="The mix that the sheet is for.", show_default=False)],
    sheet: Annotated[
        Path, typer.Option("--sheet", metavar="SHEET", help="Its sheet (JSON), edited or not.", show_default=False)
    ],
    out: Annotated[Path, typer.Option("--out", "-o", metavar="FOLDER", help="Where the files go.")] = Path(),
    also: Annotated[
        list[str] | None,
        typer.Option(
            "--also",
            metavar="FORMAT",
            help="Beside the 24-bit WAV: wav16, flac24@48000, mp3:320, opus:192, vorbis:8; repeatable.",
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
    as_json: Annotated[bool, typer.Option("--json", help="Print the JSON alone on stdout.")] = False,
    force: options.Force = False,
    log: LogFile = None,
    no_log: NoLog = False,
) -> None:
    """Render MIX with the settings of a sheet and write the files that go out, measured after writing.

    Writes MIX.master.wav (24 bit) and what --also names, and MIX.delivery.md, .json and .csv. The settings are taken as
    they stand on the sheet; the ceiling holds in any case. Exit code 0: done; 1: could not run; 2: wrong usage; 3:
    --solve did not reach the target.

    Example: autochain render mix.wav --sheet masters/mix.sheet.json -o masters --also wav16 --also mp3:320
    """
    where = log_of(log, no_log)
    plan = read_sheet(sheet)
    planned(plan)
    song = read_mix(mix)
    refuse_faint(song)
    refuse_other_mix(plan, song)
    exports = parse_exports(also or [], song.rate_hz, song.channels)
    others = [(path, read_mix(path)) for path in alternate or []]
    sources = (mix, sheet, *(path for path, _ in others))
    names = names_of(mix.stem, [path for path, _ in others], exports, song.rate_hz)
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise UsageError(f"{twice[0]} would be written twice. Give every version a file name of its own.")
    pages = [f"{mix.stem}.delivery.{kind}" for kind in ("md", "json", "csv")]
    check_output(out, [*names, *pages], force, sources)
    config = read_config(None, {"target": plan.target.model_dump(exclude_none=True)})
    with progress_bar() as show:
        compile_first(show)
        delivery = deliver(
            song, mix, plan, exports, config, out, show, alternates=others, solve=solve, coders=coders, force=force
        )
    texts = [make(delivery) for make in (to_markdown, to_json, to_csv)]
    for name, text in zip(pages, texts, strict=True):
        write_text(out / name, text, force, sources)

    def entry() -> Mapping[str, Any]:
        before, after = measure(song.samples, song.rate_hz), delivery.files[0].reading.figures
        gain_db = (after.integrated_lufs or 0.0) - (before.integrated_lufs or 0.0)
        thirds = band_changes(measure_spectrum(song.samples, song.rate_hz), delivery.spectrum, gain_db)
        return render_entry("render", song, before, after, thirds)

    write_log(where, entry)
    typer.echo(texts[1] if as_json else texts[0], nl=False)
    if delivery.met is False:
        raise typer.Exit(TARGET_NOT_MET)
