"""Options that several commands share."""

from pathlib import Path
from typing import Annotated, Any

import typer

from autochain.config.model import Target
from autochain.errors import UsageError

Lufs = Annotated[
    float | None,
    typer.Option("--lufs", metavar="LUFS", help="Loudness to reach, -40 to 0 LUFS. Default: the config's, -9."),
]
LoudestPart = Annotated[
    float | None,
    typer.Option(
        "--loudest-part", metavar="LUFS", help="Loudness of the loudest 3 s to reach, in place of --lufs."
    ),
]
Ceiling = Annotated[
    float | None,
    typer.Option("--ceiling", metavar="DBTP", help="Highest true peak, 0 dBTP or less. Default: the config's, -1."),
]
Seed = Annotated[int | None, typer.Option("--seed", help="Seed of the search; one seed gives one sheet. Default: 1.")]
Budget = Annotated[int | None, typer.Option("--budget", help="Trials, baselines included. Default: 200.")]
Jobs = Annotated[int, typer.Option("--jobs", help="Trials at the same time; -1 for all cores. Changes only time.")]
ConfigFile = Annotated[
    Path | None, typer.Option("--config", metavar="FILE", help="TOML over the packaged configs/default.toml.")
]
Json = Annotated[bool, typer.Option("--json", help="Print the sheet's JSON alone on stdout.")]
Force = Annotated[bool, typer.Option("--force", help="Replace results that exist; never a source.")]
Resume = Annotated[
    bool, typer.Option("--resume", help="Go on with a run of the same request that was stopped, from its journal.")
]
Lock = Annotated[
    list[str] | None,
    typer.Option("--lock", metavar="STAGE.PARAMETER=VALUE", help="Fix a setting decided by ear; repeatable."),
]
Around = Annotated[
    Path | None,
    typer.Option(
        "--around",
        metavar="SHEET",
        help="Search near an earlier sheet (JSON), also for a revised mix; values changed in it are locked.",
        show_default=False,
    ),
]
AnotherSong = Annotated[
    bool, typer.Option("--another-song", help="With --around: yes, the sheet is of another song than MIX.")
]
Without = Annotated[
    list[str] | None, typer.Option("--without", metavar="STAGE", help="Leave a stage out; repeatable.")
]

References = Annotated[
    list[Path] | None,
    typer.Option(
        "--reference", metavar="FILE", help="A song of your own choice whose balance is the aim; repeatable."
    ),
]

Whole = Annotated[
    bool,
    typer.Option(
        "--whole-songs", help="Let the page play whole songs, from a folder beside it: some 30 MB a minute."
    ),
]


def check_jobs(jobs: int) -> None:
    """Refuse a number of jobs that means nothing."""
    if jobs == 0 or jobs < -1:
        raise UsageError(f"--jobs {jobs} is not possible. Choose 1 or more, or -1 for all cores.")


def overrides(
    lufs: float | None,
    ceiling: float | None,
    seed: int | None,
    budget: int | None,
    loudest_part: float | None = None,
    earlier: Target | None = None,
) -> dict[str, dict[str, Any]]:
    """Config keys that options on the command line replace; what they leave of a target an earlier sheet gives."""
    if lufs is not None and loudest_part is not None:
        raise UsageError(
            f"--lufs {lufs:g} and --loudest-part {loudest_part:g} are two targets, and a master has one. "
            f"Drop one of them."
        )
    if earlier is not None:
        ceiling = earlier.ceiling_dbtp if ceiling is None else ceiling
        if lufs is None and loudest_part is None:
            lufs, loudest_part = earlier.lufs, earlier.loudest_part_lufs
    target = {"lufs": lufs, "loudest_part_lufs": loudest_part, "ceiling_dbtp": ceiling}
    search = {"seed": seed, "budget": budget}
    return {
        "target": {key: value for key, value in target.items() if value is not None},
        "search": {key: value for key, value in search.items() if value is not None},
    }
