"""`autochain check MIX...`: whether mixes are ready to be worked on."""

from collections import Counter
from pathlib import Path
from typing import Annotated

import typer

from autochain.audio.blocks import shown
from autochain.cli import options
from autochain.cli.first_check import compile_inspection
from autochain.cli.progress import progress_bar
from autochain.config import Config, read_config
from autochain.errors import AutochainError
from autochain.measure.inspection import inspect_file
from autochain.prepare.readiness import judge
from autochain.prepare.resonances import find_resonances
from autochain.prepare.standing_out import resonance_findings
from autochain.sheet.check_as_json import checks_to_json
from autochain.sheet.check_as_markdown import Checked, checks_to_markdown

NOT_READY = 3


def check_mix(path: Path, config: Config, name: str) -> Checked:
    """Inspect one file and judge it under a name; AudioFileError when it cannot be read."""
    seen = inspect_file(path)
    standing_out = resonance_findings(find_resonances(seen.resonance), config.prepare.rules)
    return Checked(
        file=name,
        duration_s=seen.duration_s,
        measurement=seen.measured.figures,
        readiness=judge(seen, config.check, standing_out),
    )


def check(
    mixes: Annotated[list[Path], typer.Argument(metavar="MIX...", help="Finished mixes.", show_default=False)],
    config: options.ConfigFile = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print a JSON list alone on stdout.")] = False,
    strict: Annotated[bool, typer.Option("--strict", help="Exit code 3 unless every mix is ready.")] = False,
) -> None:
    """Say whether each MIX is ready, usable with remarks, or should go back, with reasons and times.

    Exit code 0 whatever the verdict (with --strict 3 unless all are ready); 1: a file could not be read, the others
    are still checked; 2: wrong usage.

    Example: autochain check song1.wav song2.wav --strict
    """
    plan = read_config(config)
    checked, failed = [], 0
    names = Counter(path.name for path in mixes)
    with progress_bar() as show:
        compile_inspection(show)
        for place, path in enumerate(mixes):
            show(f"checking {shown(Path(path.name))}", place / len(mixes))
            try:
                # `mix.wav` from two folders is told apart by its path.
                name = path.name if names[path.name] == 1 else str(path)
                checked.append(check_mix(path, plan, name))
            except AutochainError as error:
                typer.echo(f"autochain: {error}", err=True)
                failed = failed or error.exit_code
    if checked or as_json:
        typer.echo(checks_to_json(checked) if as_json else checks_to_markdown(checked), nl=False)
    if failed:
        raise typer.Exit(failed)
    if strict and any(one.readiness.verdict != "ready" for one in checked):
        raise typer.Exit(NOT_READY)
