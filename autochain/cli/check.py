"""`autochain check MIX...`: whether mixes are ready to be worked on."""

from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from autochain.audio.blocks import shown
from autochain.audio.files import check_output, write_text
from autochain.audio.listing import sound_files
from autochain.check.as_json import checks_to_json
from autochain.check.report import Checked, checks_to_markdown
from autochain.cli import options
from autochain.cli.first_check import compile_inspection
from autochain.cli.progress import progress_bar
from autochain.config import Config, read_config
from autochain.errors import AutochainError, UsageError
from autochain.measure.inspection import inspect_file
from autochain.prepare.readiness import judge
from autochain.prepare.resonances import find_resonances
from autochain.prepare.standing_out import resonance_findings

if TYPE_CHECKING:
    from autochain.page.check_page import CheckPage

NOT_READY = 3
FILES = ("check.html", "check.md", "check.json")


def mixes_of(sources: Sequence[Path]) -> dict[Path, str]:
    """Files to check, each once, and what they are called: their names, or their paths where names are equal.

    Folders stand for their sound files by name. UsageError where there is none.
    """
    found: dict[Path, Path] = {}
    for source in sources:
        own = sound_files(source) if source.is_dir() else [source]
        if not own:
            raise UsageError(f"{shown(source)} holds no sound file. Name files or a folder of mixes.")
        for path in own:
            found.setdefault(path.resolve(), path)
    names = Counter(path.name for path in found.values())
    called = {path: path.name if names[path.name] == 1 else str(path) for path in found.values()}
    # A name may hold bytes that are no text, and goes into JSON.
    return {path: name.encode("utf-8", errors="backslashreplace").decode() for path, name in called.items()}


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


def _page() -> "CheckPage":
    """Load what draws and plays only where there is a page: a fifth of a second."""
    from autochain.page.check_page import CheckPage

    return CheckPage()


def check(
    mixes: Annotated[
        list[Path], typer.Argument(metavar="MIX|FOLDER...", help="Finished mixes.", show_default=False)
    ],
    out: Annotated[
        Path | None,
        typer.Option(
            "--out", "-o", metavar="FOLDER", help="Also write a page to see and hear what was found, and its data."
        ),
    ] = None,
    config: options.ConfigFile = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print a JSON list alone on stdout.")] = False,
    strict: Annotated[bool, typer.Option("--strict", help="Exit code 3 unless every mix is ready.")] = False,
    force: options.Force = False,
) -> None:
    """Say whether each MIX is ready, usable with remarks, or should go back, with reasons and times.

    Of a FOLDER, its sound files are checked. With -o check.html shows and plays the places, .md and .json hold what is
    printed. Exit code 0 whatever the verdict (with --strict 3 unless all are ready); 1: a file could not be read, the
    others are still checked; 2: wrong usage.

    Example: autochain check song1.wav mixes -o checked --strict
    """
    plan, named = read_config(config), mixes_of(mixes)
    if out is not None:
        check_output(out, FILES, force, named)
    checked, failed, unread = list[Checked](), 0, list[str]()
    with progress_bar() as show:
        compile_inspection(show)
        page = None if out is None else _page()
        for place, (path, name) in enumerate(named.items()):
            show(f"checking {shown(Path(path.name))}", place / len(named))
            try:
                checked.append(check_mix(path, plan, name))
                if page is not None:
                    show(f"drawing {shown(Path(path.name))}", (place + 0.8) / len(named))
                    page.add(path, checked[-1])
            except AutochainError as error:
                typer.echo(f"autochain: {error}", err=True)
                unread.append(str(error))
                failed = failed or error.exit_code
    as_text = checks_to_markdown(checked)
    as_data = checks_to_json(checked)
    if page is not None and out is not None and checked:
        for name, made in zip(FILES, (page.html(unread), as_text, as_data), strict=True):
            write_text(out / name, made, force, named)
    if checked or as_json:
        typer.echo(as_data if as_json else as_text, nl=False)
    if failed:
        raise typer.Exit(failed)
    if strict and any(one.readiness.verdict != "ready" for one in checked):
        raise typer.Exit(NOT_READY)
