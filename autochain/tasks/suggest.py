"""Starting settings for one mix: the search, its sheet, and the page to look at and listen with."""

import json
from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from autochain.audio.blocks import shown
from autochain.audio.files import check_output, refuse_size, write_wav
from autochain.audio.mix import Mix, Samples
from autochain.audio.output_set import OutputSet, output_set_where
from autochain.chain.output import with_silence
from autochain.chain.settings import OUTPUT
from autochain.config import Config
from autochain.earlier.around import Around, stay_near
from autochain.earlier.same_song import another_song
from autochain.errors import UsageError
from autochain.log.entry import render_entry
from autochain.measure.band_changes import BandChange
from autochain.prepare.references import Reference
from autochain.search.contradictions import refuse_contradictions
from autochain.search.journal import Journal
from autochain.search.request import RunOptions, SearchRequest, request_of
from autochain.search.result import Suggestion
from autochain.search.run import suggest as search
from autochain.search.toward_references import read_references
from autochain.sheet import Sheet, build_sheet, to_json, to_markdown
from autochain.sheet.words import CAUTION
from autochain.solve.decisions import Decisions
from autochain.solve.inaudible import refuse_inaudible
from autochain.tasks.caller import NOBODY, Caller
from autochain.tasks.outputs import ONLY_PRINTED, stage_texts, usable_log, write_log
from autochain.tasks.sheets import SheetGiven, read_given
from autochain.tasks.sounds import Sound, files_among, header_of, loaded, path_of
from autochain.tasks.wish import Wish, tell_of_taste

if TYPE_CHECKING:
    from autochain.page.listening import Listening

_PREVIEW_BITS = 24
_BY_MODELS = "This preview went through the models of your own tools, set as the sheet's column has them."


@dataclass(frozen=True, slots=True, kw_only=True)
class SuggestRequest(Wish):
    """What is asked; what every search may be told stands in `Wish`.

    Attributes
    ----------
    mix
        The finished mix.
    lufs, loudest_part_lufs
        Integrated loudness to reach, or that of the loudest 3 s in its place, -40 to 0 LUFS; at most one of them.
    out
        Folder of all files; None writes none.
    preview
        Also write the rendered result, 24 bit.
    around
        An earlier sheet (JSON) to stay near.
    another_song
        The sheet is known to be of another song.
    references
        Songs whose balance is the aim.
    resume
        Go on with a run of the same request that was stopped.
    sound, whole_songs
        Whether the page plays excerpts, and whole songs out of a folder beside it.
    log
        Gets a line; None for none.
    """

    mix: Sound
    lufs: float | None = None
    loudest_part_lufs: float | None = None
    out: Path | None = None
    preview: bool = False
    around: SheetGiven | None = None
    another_song: bool = False
    references: Sequence[Path] = ()
    resume: bool = False
    sound: bool = True
    whole_songs: bool = False
    log: Path | None = None

    @property
    def stem(self) -> str:
        """What the names of all files begin with."""
        return path_of(self.mix).stem

    @property
    def sources(self) -> tuple[Path, ...]:
        """Files that are read and never replaced."""
        return files_among((self.mix, self.around, *self.references, *self.tools, self.taste))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Suggested:
    """What was found: the sheet with all that is printed, the search's own result, and the files that were written."""

    sheet: Sheet
    found: Suggestion
    files: tuple[Path, ...]

    @property
    def met(self) -> bool:
        """Whether the target is reached under the ceiling."""
        return self.sheet.met

    @property
    def rate_hz(self) -> int:
        """Sample rate of `samples`."""
        return self.found.mix.rate_hz

    @property
    def samples(self) -> Samples:
        """The mix through the settings, float32 of shape (frames, channels), the silence around it included."""
        output = self.found.chosen.settings.of(OUTPUT)
        return with_silence(self.found.samples, self.rate_hz, output)

    def markdown(self) -> str:
        """The sheet to read."""
        return to_markdown(self.sheet)

    def json(self) -> str:
        """The sheet as `render`, `compare` and a later search take it."""
        return to_json(self.sheet)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Settled:
    """A request in which nothing is left open."""

    config: Config
    decisions: Decisions
    near: Around | None
    force: bool
    log: Path | None


def nobody_waits(result: Suggested) -> None:
    """Nobody looks at a sheet before its files are there."""


def suggest(
    request: SuggestRequest, caller: Caller = NOBODY, known: Callable[[Suggested], None] = nobody_waits
) -> Suggested:
    """Search, and write the sheet and what else was asked for.

    Trials are kept in a journal beside the sheet until the search has come to its end.

    Parameters
    ----------
    request, caller
        What is asked, and who asks.
    known
        Takes the result as soon as there is one, before its page is drawn and any file written.

    Raises
    ------
    UsageError, ConfigError, SheetError, ParameterError, TargetError
        A request that cannot hold, or files that are there already.
    AudioFileError
        A mix or a reference that cannot be used, a folder that cannot be written.
    JournalError
        A journal of another request.
    StoppedError
        Stopped before there was a result.
    """
    with output_set_where(request.out, f"{request.stem}.suggest") as outputs:
        return _suggested(request, outputs, caller, known)


def _suggested(
    request: SuggestRequest, outputs: OutputSet | None, caller: Caller, known: Callable[[Suggested], None]
) -> Suggested:
    settled = _settled(request, caller)
    mix = loaded(request.mix)
    refuse_inaudible(mix)
    if request.out is not None and request.preview:
        refuse_size(request.out / f"{request.stem}.preview.wav", mix.samples.size, _PREVIEW_BITS)
    if settled.near is not None and not request.another_song:
        _ask_about_another_song(settled.near, mix, caller)
    return _searched(request, settled, mix, read_references(request.references), outputs, caller, known)


def _settled(request: SuggestRequest, caller: Caller) -> _Settled:
    """Refuse what can be known before any sound is read."""
    if request.another_song and request.around is None:
        raise UsageError("--another-song needs a sheet given with --around. Add --around SHEET, or drop it.")
    if request.whole_songs and not request.sound:
        raise UsageError("--no-sound leaves out what --whole-songs puts beside the page. Drop one of them.")
    if request.out is None:
        for option, asked in (("--preview", request.preview), ("--whole-songs", request.whole_songs),
                              ("--resume", request.resume)):  # fmt: skip
            if asked:
                raise UsageError(f"{option} is about files, and none is written without a folder. Add -o FOLDER.")
    earlier = None if request.around is None else read_given(request.around)
    target = None if earlier is None else earlier.target
    config, decisions = request.settled(request.lufs, request.loudest_part_lufs, target)
    tell_of_taste(config, caller)
    near = None
    if earlier is not None:
        decisions, near = stay_near(earlier, decisions, config)
        same = "its own" if config.target == earlier.target else "asked for now"
        caller.tell(f"around {earlier.file}: the target is {same}")
    refuse_contradictions(decisions, config, None if near is None else near.held)
    force = request.force
    if request.out is not None:
        if request.resume and not force:
            sheet = request.out / f"{request.stem}.sheet.json"
            complete = _complete(sheet)
            if complete and not _journal_path(request, request.out).exists():
                raise UsageError(f"{shown(sheet)} is complete: nothing is left to go on with. Start anew with --force.")
            force = complete is False
        _refuse_outputs(request, request.out, force)
    else:
        caller.tell(ONLY_PRINTED)
    for sound in (request.mix, *request.references):
        header_of(sound)
    log = usable_log(request.log, caller)
    return _Settled(config=config, decisions=decisions, near=near, force=force, log=log)


def _refuse_outputs(request: SuggestRequest, out: Path, force: bool) -> None:
    names = [f"{request.stem}.sheet.{kind}" for kind in ("json", "md", "html")]
    if request.preview:
        names += [f"{request.stem}.preview.wav", f"{request.stem}.preview.txt"]
    check_output(out, names, force, request.sources)
    if request.whole_songs:
        from autochain.page import check_folder

        check_folder(out / _sound_folder(request), force=force)
    kept = _journal_path(request, out)
    if kept.exists() and not (request.resume or request.force):
        raise UsageError(
            f"{kept} is what a stopped run has left. Go on with --resume, or start anew with --force."
        )


def _journal_path(request: SuggestRequest, out: Path) -> Path:
    return out / f"{request.stem}.journal.jsonl"


def _sound_folder(request: SuggestRequest) -> str:
    return f"{request.stem}.sheet.sound"


def _complete(path: Path) -> bool | None:
    """Whether a sheet's search came to its end, or the sheet is the best so far; None where there is no sheet."""
    try:
        return bool(json.loads(path.read_text(encoding="utf-8"))["search"]["complete"])
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return None


def _ask_about_another_song(near: Around, mix: Mix, caller: Caller) -> None:
    """Let a mix pass that is of the sheet's song; else ask."""
    doubt = another_song(near.sheet, mix)
    if doubt is not None and not caller.ask(f"{doubt} Search around it all the same?"):
        raise UsageError(f"{doubt} Check both files, or add --another-song if this is meant.")


def _searched(
    request: SuggestRequest,
    settled: _Settled,
    mix: Mix,
    references: tuple[Reference, ...],
    outputs: OutputSet | None,
    caller: Caller,
    known: Callable[[Suggested], None],
) -> Suggested:
    """Search, tell, draw, and only then write."""
    config, decisions, near = settled.config, settled.decisions, settled.near
    page: _Page | None = None
    with caller.stoppable() as stop:
        with _journal_of(request, settled, mix, references) as journal, caller.watch() as show:
            if journal is not None and journal.resumed:
                show(f"going on after {journal.resumed} trials", 0.0)
            own = request.own_tools(config)
            asked = SearchRequest(
                mix=mix, config=config, decisions=decisions, near=near, references=references, tools=own
            )
            run = RunOptions(
                jobs=request.jobs, progress=show, journal=journal, stop=stop, better=caller.better, seen=caller.seen
            )
            found = search(asked, run)
            on_tools = None
            if own:
                from autochain.search.on_tools import set_tools

                show("setting your own tools", 0.0)
                on_tools = set_tools(found, own)
            result = Suggested(sheet=build_sheet(found, on_tools), found=found, files=())
        known(result)
        if outputs is not None:
            with caller.watch() as show:
                show("drawing the page", 0.0)
                page = _drawn(request, result)
    if outputs is not None and page is not None:
        files = _preview(request, result, outputs) if request.preview else ()
        files += page.stage(outputs, request, result)
        if request.whole_songs:
            from autochain.page import check_folder

            check_folder(outputs.folder / _sound_folder(request), force=settled.force)
        done = _journal_path(request, outputs.folder) if result.sheet.search.complete else None
        outputs.commit(settled.force, request.sources, done)
        result = replace(result, files=files)
    write_log(settled.log, partial(_entry, result, None if page is None else page.thirds), caller)
    return result


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Page:
    """The page, what it plays, and the change of every third octave that it shows."""

    html: str
    listening: "Listening | None"
    thirds: tuple[BandChange, ...]

    def stage(self, outputs: OutputSet, request: SuggestRequest, result: Suggested) -> tuple[Path, ...]:
        from autochain.page import sheet_hash, write_folder

        files: tuple[Path, ...] = ()
        if request.whole_songs and self.listening is not None:
            folder = _sound_folder(request)
            write_folder(outputs.staging / folder, self.listening, sheet_hash(result.sheet), force=False)
            files = (outputs.folder / folder,)
        texts = {"html": self.html, "md": result.markdown(), "json": result.json()}
        named = {f"{request.stem}.sheet.{kind}": text for kind, text in texts.items()}
        return files + stage_texts(outputs, named)


def _drawn(request: SuggestRequest, result: Suggested) -> _Page:
    from autochain.page import listening_to, thirds_of, to_html  # a tenth of a second, behind the sheet

    found, sheet = result.found, result.sheet
    thirds = thirds_of(found)
    listening = listening_to(found, sheet, whole=request.whole_songs) if request.sound else None
    folder = _sound_folder(request) if request.whole_songs else None
    return _Page(html=to_html(found, sheet, listening, folder, thirds=thirds), listening=listening, thirds=thirds)


def _entry(result: Suggested, thirds: tuple[BandChange, ...] | None) -> Mapping[str, Any]:
    if thirds is None:
        from autochain.page import thirds_of

        thirds = thirds_of(result.found)
    found = result.found
    ended = found.stats.complete, found.chosen.met
    return render_entry("suggest", found.mix, found.before, found.chosen.after, thirds, *ended)


def _journal_of(
    request: SuggestRequest, settled: _Settled, mix: Mix, references: tuple[Reference, ...]
) -> AbstractContextManager[Journal | None]:
    """The journal of a run that writes files; none else."""
    if request.out is None:
        return nullcontext(None)
    asked = request_of(
        mix.sha256, settled.config, settled.decisions, settled.near, [one.sha256 for one in references]
    )
    return Journal(_journal_path(request, request.out), asked, resume=request.resume)


def _preview(request: SuggestRequest, result: Suggested, outputs: OutputSet) -> tuple[Path, ...]:
    """Stage the rendered result with its caution; where the sheet is for the user's own tools, what these give."""
    caution, heard = f"{request.stem}.preview.txt", f"{request.stem}.preview.wav"
    seed = result.found.config.search.seed
    samples, told = result.samples, CAUTION
    if result.sheet.on_tools is not None:
        samples, told = _on_tools(result), f"{CAUTION}\n{_BY_MODELS}"
    write_wav(outputs.staging / heard, samples, result.rate_hz, seed, bits=_PREVIEW_BITS)
    return *stage_texts(outputs, {caution: told + "\n"}), outputs.folder / heard


def _on_tools(result: Suggested) -> Samples:
    """The mix through the models of the user's tools, as `render --on-tools` makes it from the sheet."""
    from autochain.render.master import make_master
    from autochain.render.tool_chain import tool_chain

    sheet, mix = read_given(result.sheet), result.found.mix
    on_tools = tool_chain(sheet)
    master = make_master(mix, on_tools.chain, on_tools.settings, sheet.target)
    return with_silence(master.samples, mix.rate_hz, master.settings[OUTPUT])
