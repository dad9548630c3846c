"""What lies between a mix and its master, and whether the master reaches a sheet."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from autochain.audio.files import check_output
from autochain.compare import Comparison
from autochain.compare import compare as compare_sounds
from autochain.compare.account import Account, account
from autochain.compare.against_plan import AgainstPlan, check_bounce
from autochain.compare.as_html import to_html
from autochain.compare.as_json import to_json
from autochain.compare.as_markdown import to_markdown
from autochain.log.entry import comparison_entry
from autochain.render.planned import planned
from autochain.sheet.read import read_sheet
from autochain.tasks.caller import NOBODY, Caller
from autochain.tasks.outputs import usable_log, write_log, write_texts
from autochain.tasks.sounds import Sound, files_among, header_of, loaded, path_of


@dataclass(frozen=True, slots=True, kw_only=True)
class CompareRequest:
    """What is asked.

    Attributes
    ----------
    mix, master
        Any two files of one song.
    sheet
        Sheet (JSON) of the mix: does the master reach it, and which stage looks off?
    out
        Folder of the account; None writes nothing.
    force
        Replace results that exist; never a source.
    log
        Gets a line; None for none.
    """

    mix: Sound
    master: Sound
    sheet: Path | None = None
    out: Path | None = None
    force: bool = False
    log: Path | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Compared:
    """What was found: figures, what they say in words, the verdict by a sheet where one was given, files written."""

    found: Comparison
    account: Account
    against: AgainstPlan | None
    files: tuple[Path, ...]

    @property
    def reached(self) -> bool | None:
        """Whether the master reaches the sheet; None without one."""
        return None if self.against is None else self.against.reached

    def markdown(self) -> str:
        """The account to read."""
        return to_markdown(self.found, self.account, self.against)

    def html(self) -> str:
        """The same with pictures."""
        return to_html(self.found, self.account, self.against)

    def json(self) -> str:
        """All figures."""
        return to_json(self.found, self.account, self.against)


def compare(request: CompareRequest, caller: Caller = NOBODY) -> Compared:
    """Compare, and write the account where a folder is named.

    Raises
    ------
    DifferentMaterialError
        Two files that are no mix and master of each other.
    SheetError, UsageError
        A sheet that cannot be carried out, files that are there already.
    AudioFileError
        A file that cannot be used, a folder that cannot be written.
    """
    sources = files_among((request.mix, request.master, request.sheet))
    sheet = None if request.sheet is None else read_sheet(request.sheet)
    if sheet is not None:
        planned(sheet)
    stem = path_of(request.master).stem
    if request.out is not None:
        check_output(request.out, [f"{stem}.compare.{kind}" for kind in ("md", "html", "json")], request.force, sources)
    for sound in (request.mix, request.master):
        header_of(sound)
    log = usable_log(request.log, caller)
    mix, master = loaded(request.mix), loaded(request.master)
    with caller.watch() as show:
        found = compare_sounds(mix, master, show)
        against = None if sheet is None else check_bounce(sheet, mix, found, show)
    result = Compared(found=found, account=account(found), against=against, files=())
    if request.out is not None:
        texts: Mapping[str, str] = {"md": result.markdown(), "html": result.html(), "json": result.json()}
        named = {f"{stem}.compare.{kind}": text for kind, text in texts.items()}
        result = replace(result, files=write_texts(request.out, named, request.force, sources))
    if mix.sha256 != master.sha256:  # a mix against itself is no master to remember
        write_log(log, lambda: comparison_entry(found), caller)
    return result
