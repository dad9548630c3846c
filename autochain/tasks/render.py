"""The files that go out: a sheet rendered, written, read back and measured; or its sound alone, in memory."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from autochain.audio.files import check_output, refuse_size
from autochain.audio.mix import Mix, Samples
from autochain.audio.output_set import OutputSet, output_set_where
from autochain.chain.output import with_silence
from autochain.chain.settings import OUTPUT
from autochain.config import Config, read_config
from autochain.document.as_markdown import markdown
from autochain.earlier.same_song import refuse_other_mix
from autochain.earlier.sheet import EarlierSheet
from autochain.errors import UsageError
from autochain.log.entry import render_entry
from autochain.measure.band_changes import band_changes
from autochain.measure.measurement import measure
from autochain.measure.spectrum import measure_spectrum
from autochain.render.as_data import to_csv, to_json
from autochain.render.delivery import USUAL_CODERS, Delivery, DeliveryOrder, deliver, names_of
from autochain.render.formats import Export, parse_export, parse_exports
from autochain.render.master import make_master, solve_by_renders, solve_master
from autochain.render.report import report, report_page
from autochain.render.sheet_chain import sheet_chain
from autochain.solve.inaudible import refuse_inaudible
from autochain.tasks.caller import NOBODY, Caller
from autochain.tasks.outputs import stage_texts, usable_log, write_log
from autochain.tasks.sheets import SheetGiven, read_given
from autochain.tasks.sounds import Sound, files_among, header_of, loaded, path_of

if TYPE_CHECKING:
    from autochain.render.tool_chain import ToolChain
    from autochain.tool.tool import Tool

_PAGES = ("md", "html", "json", "csv")


@dataclass(frozen=True, slots=True, kw_only=True)
class RenderRequest:
    """What is asked.

    Attributes
    ----------
    mix
        The mix that the sheet is for.
    sheet
        Its sheet, edited or not.
    out
        Folder of all files; None writes none.
    also
        Formats beside the 24-bit WAV, each such as `wav16`, `flac24@48000`, `mp3:320`, `opus:192`, `vorbis:8`.
    alternates
        Other versions of the song (instrumental, voices only), rendered with the same settings and drive.
    solve
        Set the drive anew for the sheet's target.
    coders
        Measure what the usual lossy coders add to the peaks.
    on_tools
        Render what the user's own tools give, by their models, set as the sheet's column has them.
    tools
        Files of tools in place of those that the sheet keeps, also for a sheet without that column: there they are set
        anew. Asks for `on_tools`.
    force
        Replace results that exist; never a source.
    log
        Gets a line; None for none.
    """

    mix: Sound
    sheet: SheetGiven
    out: Path | None = None
    also: Sequence[str] = ()
    alternates: Sequence[Path] = ()
    solve: bool = False
    coders: bool = False
    on_tools: bool = False
    tools: Sequence[Path] = ()
    force: bool = False
    log: Path | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rendered:
    """A master.

    Attributes
    ----------
    samples
        Floating point, shape (frames, channels), the silence around the song included; None where files were written.
    rate_hz
        Its sample rate.
    met
        Whether a drive solved anew reached the target; None where the sheet's drive was taken as it stands.
    lowered_db
        How much the trim stands under the sheet's, so that the ceiling holds; 0 or more.
    delivery
        What was written, as it was read back; None where nothing was.
    files
        Where it was written, pages included.
    """

    samples: Samples | None
    rate_hz: int
    met: bool | None
    lowered_db: float
    delivery: Delivery | None
    files: tuple[Path, ...]

    def markdown(self) -> str:
        """What went out, to read; empty where nothing did."""
        return "" if self.delivery is None else markdown(report(self.delivery))

    def json(self) -> str:
        """The same as data; empty where nothing went out."""
        return "" if self.delivery is None else to_json(self.delivery)


def render(request: RenderRequest, caller: Caller = NOBODY) -> Rendered:
    """Render, and where a folder is named write all files, measured after writing.

    Raises
    ------
    SheetError, UsageError, TargetError
        A sheet that is of another mix or cannot be carried out, a format that there is none of, a coder that is not
        there, files that are there already.
    AudioFileError
        A file that cannot be used, a folder that cannot be written.
    """
    with output_set_where(request.out, f"{path_of(request.mix).stem}.render") as outputs:
        return _rendered(request, outputs, caller)


def _rendered(request: RenderRequest, outputs: OutputSet | None, caller: Caller) -> Rendered:
    sheet = read_given(request.sheet)
    sheet_chain(sheet)
    own = _own_tools(request)
    if request.on_tools or (own and sheet.on_tools is not None):
        from autochain.render.tool_chain import tool_chain

        tool_chain(sheet, own)
    config = read_config(None, {"target": sheet.target.model_dump(exclude_none=True)})
    rate_hz, channels = header_of(request.mix)
    for path in request.alternates:
        header_of(path)
    exports = parse_exports(list(request.also), rate_hz, channels)
    if outputs is None:
        _refuse_about_files(request)
    else:
        _refuse_outputs(request, outputs.folder, exports, rate_hz, channels)
    log = usable_log(request.log, caller)
    mix = loaded(request.mix)
    refuse_inaudible(mix)
    refuse_other_mix(sheet, mix)
    on_tools = _on_tools(request, sheet, own, mix, caller)
    if outputs is None:
        return _in_memory(request, mix, sheet, on_tools, config, caller)
    return _delivered(request, outputs, mix, sheet, on_tools, exports, config, log, caller)


def _own_tools(request: RenderRequest) -> "tuple[Tool, ...]":
    if not request.tools:
        return ()
    from autochain.tool.tool import tool_of_file  # what fits and draws is loaded where there is a tool

    return tuple(tool_of_file(path) for path in request.tools)


def _on_tools(
    request: RenderRequest, sheet: EarlierSheet, own: "Sequence[Tool]", mix: Mix, caller: Caller
) -> "ToolChain | None":
    """The chain with the user's tools in it, where that is asked for."""
    if not own and not request.on_tools:
        return None
    from autochain.render.tool_chain import set_anew, tool_chain

    if sheet.on_tools is not None or not own:
        return tool_chain(sheet, own)
    with caller.watch() as show:
        show("setting your own tools", 0.0)
        return set_anew(sheet, mix, own)


def _refuse_about_files(request: RenderRequest) -> None:
    for asked, option in ((request.also, "--also"), (request.alternates, "--alternate"), (request.coders, "--coders")):
        if asked:
            raise UsageError(f"{option} is about files, and none is written without a folder. Add -o FOLDER.")


def _refuse_outputs(
    request: RenderRequest, out: Path, exports: Sequence[Export], rate_hz: int, channels: int
) -> None:
    """Refuse files that are there, that are the same twice, or that no coder here can make."""
    if request.coders:
        for text in USUAL_CODERS:
            parse_export(text, rate_hz, channels)
    sound = names_of(path_of(request.mix).stem, request.alternates, exports, rate_hz)
    twice = sorted({name for name in sound if sound.count(name) > 1})
    if twice:
        raise UsageError(f"{twice[0]} would be written twice. Give every version a file name of its own.")
    check_output(out, [*sound, *_page_names(request)], request.force, _sources(request))


def _page_names(request: RenderRequest) -> list[str]:
    return [f"{path_of(request.mix).stem}.delivery.{kind}" for kind in _PAGES]


def _sources(request: RenderRequest) -> tuple[Path, ...]:
    return files_among((request.mix, request.sheet, *request.alternates, *request.tools))


def _in_memory(
    request: RenderRequest,
    mix: Mix,
    sheet: EarlierSheet,
    on_tools: "ToolChain | None",
    config: Config,
    caller: Caller,
) -> Rendered:
    chain, settings = sheet_chain(sheet) if on_tools is None else (on_tools.chain, on_tools.settings)
    met: bool | None = None
    with caller.watch() as show:
        show("rendering the master", 0.0)
        if request.solve:
            solve = partial(solve_master, plan=config.search.drive) if on_tools is None else solve_by_renders
            master, met = solve(mix, chain, settings, sheet.target, sheet.target.loudness_lufs, step_db=0.1)
        else:
            master = make_master(mix, chain, settings, sheet.target)
    return Rendered(
        samples=with_silence(master.samples, mix.rate_hz, master.settings[OUTPUT]),
        rate_hz=mix.rate_hz,
        met=met,
        lowered_db=master.lowered_db,
        delivery=None,
        files=(),
    )


def _delivered(
    request: RenderRequest,
    outputs: OutputSet,
    mix: Mix,
    sheet: EarlierSheet,
    on_tools: "ToolChain | None",
    exports: Sequence[Export],
    config: Config,
    log: Path | None,
    caller: Caller,
) -> Rendered:
    others = [(path, loaded(path)) for path in request.alternates]
    for export in exports:
        for name, song in ((request.mix, mix), *others):
            if export.kind.bits is not None:
                size = round(song.samples.size * export.rate_hz / song.rate_hz)
                refuse_size(outputs.folder / export.name(path_of(name).stem, mix.rate_hz), size, export.kind.bits)
    with caller.watch() as show:
        order = DeliveryOrder(
            mix=mix,
            mix_path=path_of(request.mix),
            sheet=sheet,
            exports=exports,
            config=config,
            out=outputs.staging,
            alternates=others,
            solve=request.solve,
            coders=request.coders,
            on_tools=on_tools,
        )
        delivery = deliver(order, show)
    blocks = tuple(report(delivery))
    texts = (markdown(blocks), report_page(delivery, blocks), to_json(delivery), to_csv(delivery))
    pages = zip(_page_names(request), texts, strict=True)
    written = stage_texts(outputs, dict(pages))
    outputs.commit(request.force, _sources(request))

    def entry() -> Mapping[str, Any]:
        before, after = measure(mix.samples, mix.rate_hz), delivery.files[0].reading.figures
        gain_db = (after.integrated_lufs or 0.0) - (before.integrated_lufs or 0.0)
        thirds = band_changes(measure_spectrum(mix.samples, mix.rate_hz), delivery.spectrum, gain_db)
        return render_entry("render", mix, before, after, thirds, met=delivery.met)

    write_log(log, entry, caller)
    return Rendered(
        samples=None,
        rate_hz=mix.rate_hz,
        met=delivery.met,
        lowered_db=delivery.master.lowered_db,
        delivery=delivery,
        files=(*(outputs.folder / one.file for one in delivery.files), *written),
    )
