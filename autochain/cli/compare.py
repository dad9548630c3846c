"""`autochain compare MIX MASTER`: what lies between two files."""

from pathlib import Path
from typing import Annotated

import typer

from autochain.audio.blocks import shown
from autochain.audio.files import check_output, read_mix, write_text
from autochain.cli import options
from autochain.cli.log import LogFile, NoLog, log_of, write_log
from autochain.cli.progress import progress_bar
from autochain.compare import compare as compare_files
from autochain.compare.as_json import different_to_json, to_json
from autochain.compare.bounce import check_bounce
from autochain.compare.description import describe
from autochain.compare.report import different_report, report, report_page
from autochain.document.as_markdown import markdown
from autochain.earlier.read import read_sheet
from autochain.errors import DifferentMaterialError, UsageError
from autochain.log.entry import comparison_entry
from autochain.log.file import read
from autochain.log.history import LAST, history_of
from autochain.log.report import history_to_html, history_to_json, history_to_markdown

TARGET_NOT_MET = 3


def show_history(log: Path, last: int, out: Path | None, as_json: bool, force: bool) -> None:
    """Print the history of a log, and write it where a folder is named."""
    entries, broken = read(log)
    if broken:
        typer.echo(f"autochain: {broken} lines of {shown(log)} cannot be read and were left out.", err=True)
    found = history_of(entries, last)
    texts = [make(found) for make in (history_to_markdown, history_to_html, history_to_json)]
    if out is not None:
        names = [f"history.{kind}" for kind in ("md", "html", "json")]
        check_output(out, names, force, (log,))
        for name, text in zip(names, texts, strict=True):
            write_text(out / name, text, force, (log,))
    typer.echo(texts[2] if as_json else texts[0], nl=False)


def compare(
    mix: Annotated[Path | None, typer.Argument(metavar="MIX", help="The mix.", show_default=False)] = None,
    master: Annotated[Path | None, typer.Argument(metavar="MASTER", help="A master of it.", show_default=False)] = None,
    out: Annotated[
        Path | None,
        typer.Option("--out", "-o", metavar="FOLDER", help="Also write MASTER.compare.md, .html and .json there."),
    ] = None,
    sheet: Annotated[
        Path | None,
        typer.Option(
            "--sheet", metavar="SHEET", help="Sheet (JSON) of MIX: does MASTER reach it, and which stage looks off?"
        ),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print the JSON alone on stdout.")] = False,
    history: Annotated[
        bool, typer.Option("--history", help="Instead: what the last masters in the log have in common.")
    ] = False,
    last: Annotated[int, typer.Option("--last", min=1, help="How many masters --history looks at.")] = LAST,
    log: LogFile = None,
    no_log: NoLog = False,
    force: options.Force = False,
) -> None:
    """Say what lies between MIX and MASTER, the most audible first, at equal loudness.

    The files may differ in length, sample rate, level, polarity and delay. Exit code 0: compared; 1: could not run, or
    the two are different material; 2: wrong usage; 3: with --sheet, its target is not reached.

    Each comparison adds a line to the log in your data folder; --history tells what the last masters have in common.

    Example: autochain compare mix.wav master.wav -o compared
    """
    where = log_of(log, no_log)
    if history:
        if mix is not None or sheet is not None or where is None:
            raise UsageError("--history reads the log alone. Drop MIX, MASTER, --sheet and --no-log.")
        if log is not None and not log.exists():
            raise UsageError(f"--log {shown(log)} does not exist. Name a log that was written, or leave --log out.")
        show_history(where, last, out, as_json, force)
        return
    if mix is None or master is None:
        raise UsageError("compare needs two files: autochain compare MIX MASTER. Or ask for --history.")
    sources = (mix, master) if sheet is None else (mix, master, sheet)
    names = [f"{master.stem}.compare.{kind}" for kind in ("md", "html", "json")]
    earlier = None if sheet is None else read_sheet(sheet)
    before, after = read_mix(mix), read_mix(master)
    if out is not None:
        check_output(out, names, force, sources)
    try:
        with progress_bar() as show:
            found = compare_files(before, after, show)
            against = None if earlier is None else check_bounce(earlier, before, found, show)
    except DifferentMaterialError as error:
        files = before.file, after.file
        text = different_to_json(*files, str(error)) if as_json else markdown(different_report(*files, str(error)))
        typer.echo(text, nl=False)
        raise typer.Exit(error.exit_code) from None
    described = describe(found)
    blocks = tuple(report(found, described, against))
    texts = [markdown(blocks), report_page(found, blocks), to_json(found, described, against)]
    if out is not None:
        for name, text in zip(names, texts, strict=True):
            write_text(out / name, text, force, sources)
    if before.sha256 != after.sha256:  # a mix against itself is no master to remember
        write_log(where, lambda: comparison_entry(found))
    typer.echo(texts[2] if as_json else texts[0], nl=False)
    if against is not None and not against.reached:
        raise typer.Exit(TARGET_NOT_MET)
