"""What each loudness costs one mix, and where it begins to cost more."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from autochain.audio.files import check_output
from autochain.audio.output_set import OutputSet, output_set_where
from autochain.config import Config
from autochain.config.read import check_target
from autochain.curve.as_data import to_csv, to_json
from autochain.curve.knee import LEAST_POINTS
from autochain.curve.listening import curve_sounds
from autochain.curve.point import Curve
from autochain.curve.report import to_html, to_markdown
from autochain.curve.sheets import CurveSheets, curve_file_names, sheet_texts, with_sheets
from autochain.curve.statement import knee_of
from autochain.curve.targets import refuse_locked_drive, targets_lufs
from autochain.curve.trace import trace
from autochain.page.listening import Listening
from autochain.search.contradictions import refuse_contradictions
from autochain.sheet import Sheet
from autochain.solve.decisions import Decisions
from autochain.solve.inaudible import refuse_inaudible
from autochain.tasks.caller import NOBODY, Caller
from autochain.tasks.outputs import ONLY_PRINTED, stage_texts
from autochain.tasks.sounds import Sound, files_among, header_of, loaded, path_of
from autochain.tasks.wish import Wish, tell_of_taste

if TYPE_CHECKING:
    from autochain.tool.tool import Tool


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveRequest(Wish):
    """What is asked; what every search may be told stands in `Wish`, whose budget is that of one suggestion.

    Attributes
    ----------
    mix
        The finished mix.
    quiet_lufs, loud_lufs
        Quietest and loudest loudness, -40 to 0 LUFS.
    step_lu
        Between two points, 0.1 LU or more; 30 points at most.
    out
        Folder of all files; None writes none.
    sound
        Whether the page plays the mix and the points.
    """

    mix: Sound
    quiet_lufs: float = -14.0
    loud_lufs: float = -6.0
    step_lu: float = 1.0
    out: Path | None = None
    sound: bool = True


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Traced:
    """The curve, the sheet of each of its points, and the files that were written.

    `listening` is what the page plays; None where nothing was written, no sound was wanted or there is nothing to play.
    """

    drawn: CurveSheets
    files: tuple[Path, ...]
    listening: Listening | None = None

    @property
    def curve(self) -> Curve:
        """Points from quiet to loud, and the loudnesses that were not tried."""
        return self.drawn.curve

    @property
    def sheets(self) -> tuple[Sheet, ...]:
        """One for each point."""
        return self.drawn.sheets

    @property
    def knee_lufs(self) -> float | None:
        """Where loudness begins to cost more; None where it does nowhere, or where there are too few points."""
        knee = knee_of(self.curve)
        return None if knee is None else knee["lufs"]

    def markdown(self) -> str:
        """The curve to read."""
        return to_markdown(self.drawn)

    def html(self) -> str:
        """The same with pictures."""
        return to_html(self.drawn, self.listening)

    def json(self) -> str:
        """All figures."""
        return to_json(self.drawn)

    def csv(self) -> str:
        """A row for each point."""
        return to_csv(self.curve)


def curve(request: CurveRequest, caller: Caller = NOBODY) -> Traced:
    """Trace the curve, and write it and each point's sheet where a folder is named.

    Raises
    ------
    UsageError, ConfigError, ParameterError, TargetError
        A request that cannot hold, or files that are there already.
    AudioFileError
        A mix that cannot be used, a folder that cannot be written.
    """
    targets = targets_lufs(request.quiet_lufs, request.loud_lufs, request.step_lu)
    config, decisions = request.settled(targets[0])
    tools = request.own_tools(config)
    tell_of_taste(config, caller)
    check_target(config.target.model_copy(update={"lufs": targets[-1]}))
    refuse_locked_drive(decisions)
    refuse_contradictions(decisions, config, None)
    stem, sources = path_of(request.mix).stem, files_among((request.mix, *request.tools, request.taste))
    with output_set_where(request.out, f"{stem}.curve") as outputs:
        if outputs is not None:
            check_output(outputs.folder, curve_file_names(stem, targets), request.force, sources)
        else:
            caller.tell(ONLY_PRINTED)
        return _traced(request, config, decisions, tools, targets, outputs, caller)


def _traced(
    request: CurveRequest,
    config: Config,
    decisions: Decisions,
    tools: "Sequence[Tool]",
    targets: Sequence[float],
    outputs: OutputSet | None,
    caller: Caller,
) -> Traced:
    stem, sources = path_of(request.mix).stem, files_among((request.mix, *request.tools, request.taste))
    header_of(request.mix)
    if len(targets) < LEAST_POINTS:
        caller.tell(
            f"{_points(len(targets))} too few to tell where loudness begins to cost more; {LEAST_POINTS} or more are "
            f"needed. Choose a smaller --step or a wider range."
        )
    mix = loaded(request.mix)
    refuse_inaudible(mix)
    with caller.stoppable() as stop, caller.watch() as show:
        traced = trace(
            mix, config, targets, decisions, request.jobs, show, caller.point, stop=stop, mix_seen=caller.seen
        )
        result = Traced(drawn=with_sheets(traced, stem, tools, show), files=())
        if outputs is None:
            return result
        files: tuple[Path, ...] = ()
        if request.sound:
            show("rendering the places to hear", 0.0)
            result = replace(result, listening=curve_sounds(result.drawn))
        for place, (point, sheet) in enumerate(result.drawn.points):
            show("drawing the pages", place / len(traced.points))
            own = {result.drawn.sheet_name(point, kind): text for kind, text in sheet_texts(mix, point, sheet).items()}
            files += stage_texts(outputs, own)
    texts = {"csv": result.csv(), "json": result.json(), "html": result.html(), "md": result.markdown()}
    pages = {f"{stem}.curve.{kind}": text for kind, text in texts.items()}
    files += stage_texts(outputs, pages)
    outputs.commit(request.force, sources)
    return replace(result, files=files)


def _points(count: int) -> str:
    return "1 point is" if count == 1 else f"{count} points are"
