"""Options that several commands share."""

from pathlib import Path
from typing import Annotated

import typer

from autochain.errors import UsageError

TARGET_NOT_MET = 3  # exit status of a run that ended well, with a result that misses what was asked for

Mixes = Annotated[
    list[Path],
    typer.Argument(
        metavar="MIX|FOLDER|LIST.toml...", help="The mixes: files, folders, lists in TOML.", show_default=False
    ),
]
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
AroundSheet = Annotated[
    Path | None,
    typer.Option(
        "--around",
        metavar="SHEET",
        help="Search near an earlier sheet (JSON), also for a revised mix; values changed in it are locked.",
        show_default=False,
    ),
]
AnotherSong = Annotated[
    bool, typer.Option("--another-song", help="With --around: allow the sheet of another song.")
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

Tools = Annotated[
    list[Path] | None,
    typer.Option(
        "--tools",
        metavar="FILE",
        help="A processor of your own (NAME.tool.toml of tool read): the sheet tells what to set on it; repeatable.",
    ),
]

Taste = Annotated[
    Path | None,
    typer.Option(
        "--taste",
        metavar="FILE",
        help="Your blind choices: the weights of the score are learned from them, from 20 on.",
        show_default=False,
    ),
]

Whole = Annotated[
    bool,
    typer.Option(
        "--whole-songs", help="Let the page play whole songs, from a folder beside it: some 30 MB a minute."
    ),
]


NoSound = Annotated[
    bool, typer.Option("--no-sound", help="Leave the excerpts to listen to out of the page: megabytes less.")
]


Out = Annotated[
    Path | None,
    typer.Option(
        "--out", "-o", metavar="FOLDER", help="Write all files there; without -o nothing is written."
    ),
]


def needed(out: Path | None, command: str) -> Path:
    """The folder of a command that is about files; UsageError where none is named."""
    if out is None:
        raise UsageError(f"{command} makes files, and nothing is written without a folder. Add -o FOLDER.")
    return out
