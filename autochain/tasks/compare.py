"""What lies between a mix and its master, and whether the master reaches a sheet."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from autochain.audio.files import check_output
from autochain.compare import Comparison
from autochain.compare import compare as compare_sounds
from autochain.compare.as_json import to_json
from autochain.compare.bounce import BounceVerdict, check_bounce
from autochain.compare.description import Description, describe
from autochain.compare.report import report
from autochain.document.as_markdown import markdown
from autochain.log.entry import comparison_entry
from autochain.memory import give_back
from autochain.render.sheet_chain import sheet_chain
from autochain.tasks.caller import NOBODY, Caller
from autochain.tasks.outputs import usable_log, write_log, write_set
from autochain.tasks.sheets import SheetGiven, read_given
from autochain.tasks.sounds import Sound, files_among, header_of, loaded, path_of

if TYPE_CHECKING:
    from autochain.page.listening import Listening


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
        Folder of the report; None writes nothing.
    force
        Replace results that exist; never a source.
    sound
        Whether the page plays both.
    log
        Gets a line; None for none.
    """

    mix: Sound
    master: Sound
    sheet: SheetGiven | None = None
    out: Path | None = None
    force: bool = False
    sound: bool = True
    log: Path | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Compared:
    """What was found: figures, what they say in words, the verdict by a sheet where one was given, files written.

    `listening` is what the page plays; None where nothing was written or no sound was wanted.
    """

    found: Comparison
    description: Description
    verdict: BounceVerdict | None
    files: tuple[Path, ...]
    listening: "Listening | None" = None

    @property
    def reached(self) -> bool | None:
        """Whether the master reaches the sheet; None without one."""
        return None if self.verdict is None else self.verdict.reached

    def markdown(self) -> str:
        """The report to read."""
        return markdown(report(self.found, self.description, self.verdict))

    def html(self) -> str:
        """The same with pictures, and what it plays."""
        from autochain.page.compare_page import to_html

        return to_html(self.found, self.description, self.verdict, self.listening)

    def json(self) -> str:
        """All figures."""
        return to_json(self.found, self.description, self.verdict)


def compare(request: CompareRequest, caller: Caller = NOBODY) -> Compared:
    """Compare, and write the report where a folder is named.

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
    sheet = None if request.sheet is None else read_given(request.sheet)
    if sheet is not None:
        sheet_chain(sheet)
    stem = path_of(request.master).stem
    if request.out is not None:
        check_output(request.out, [f"{stem}.compare.{kind}" for kind in ("md", "html", "json")], request.force, sources)
    for sound in (request.mix, request.master):
        header_of(sound)
    log = usable_log(request.log, caller)
    mix, master = loaded(request.mix), loaded(request.master)
    if sheet is not None and sheet.mix_sha256 != mix.sha256:
        caller.tell(f"{sheet.file} was made for another file than {mix.file}; it is rendered on this one all the same.")
    with caller.watch() as show:
        found = compare_sounds(mix, master, show)
        same = mix.sha256 == master.sha256
        del master  # what a sheet is carried out to would lie beside it
        give_back()
        verdict = None if sheet is None else check_bounce(sheet, mix, found, show)
    result = Compared(found=found, description=describe(found), verdict=verdict, files=())
    if request.out is not None:
        if request.sound:
            from autochain.page.compare_page import compared_sounds

            sounds = compared_sounds(mix, loaded(request.master), found, sheet)
            result = replace(result, listening=sounds)
        texts: Mapping[str, str] = {"md": result.markdown(), "html": result.html(), "json": result.json()}
        named = {f"{stem}.compare.{kind}": text for kind, text in texts.items()}
        files = write_set(request.out, f"{stem}.compare", named, request.force, sources)
        result = replace(result, files=files)
    if not same:  # a mix against itself is no master to remember
        write_log(log, lambda: comparison_entry(found), caller)
    return result
