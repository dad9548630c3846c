"""`autochain compare MIX MASTER`: what lies between two files."""

from pathlib import Path
from typing import Annotated

import typer

from autochain.cli import options
from autochain.cli.log import LogFile, NoLog, log_of
from autochain.errors import DifferentMaterialError, UsageError
from autochain.log.history import LAST_MASTERS


def compare(
    mix: Annotated[Path | None, typer.Argument(metavar="MIX", help="The mix.", show_default=False)] = None,
    master: Annotated[Path | None, typer.Argument(metavar="MASTER", help="A master of it.", show_default=False)] = None,
    out: options.Out = None,
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
    last: Annotated[int, typer.Option("--last", min=1, help="How many masters --history looks at.")] = LAST_MASTERS,
    silent: options.NoSound = False,
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
    # Loaded when it is asked for: help is there at once.
    from autochain.cli.terminal import show, terminal
    from autochain.compare.as_json import different_to_json
    from autochain.compare.report import different_report
    from autochain.document.as_markdown import markdown
    from autochain.tasks.compare import CompareRequest
    from autochain.tasks.compare import compare as run
    from autochain.tasks.history import HistoryRequest, recall
    from autochain.tasks.sounds import name_of

    where = log_of(log, no_log)
    if history:
        if mix is not None or sheet is not None or where is None:
            raise UsageError("--history reads the log alone. Drop MIX, MASTER, --sheet and --no-log.")
        past = recall(HistoryRequest(log=log, last=last, out=out, force=force), terminal())
        show(past.json() if as_json else past.markdown())
        return
    if mix is None or master is None:
        raise UsageError("compare needs two files: autochain compare MIX MASTER. Or ask for --history.")
    request = CompareRequest(mix=mix, master=master, sheet=sheet, out=out, force=force, sound=not silent, log=where)
    try:
        found = run(request, terminal())
    except DifferentMaterialError as error:
        said = name_of(mix), name_of(master), str(error)
        show(different_to_json(*said) if as_json else markdown(different_report(*said)))
        raise typer.Exit(error.exit_code) from None
    show(found.json() if as_json else found.markdown())
    if found.reached is False:
        raise typer.Exit(options.TARGET_NOT_MET)
