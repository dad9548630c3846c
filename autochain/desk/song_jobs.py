"""The long work on an open song, each through the same tasks as the command of its name, into the same files."""

import hashlib
import json
from collections.abc import Sequence
from contextlib import nullcontext
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from autochain.audio.files import write_text
from autochain.chain.settings import ChainSettings
from autochain.config.model import Target
from autochain.curve.point import Point
from autochain.curve.targets import targets_lufs
from autochain.desk.bounces import sounds_in
from autochain.desk.course import course_of, looks_of
from autochain.desk.curve_facts import of_curve, of_points
from autochain.desk.hand import HandState
from autochain.desk.versions import BEST, DELIVERED, HAND
from autochain.desk.whole import refuse_stopped
from autochain.earlier.read import sheet_in
from autochain.errors import AutochainError, JournalError, StoppedError, UsageError
from autochain.given import quoted
from autochain.progress import Progress, Stop, silent
from autochain.search.by_hand import by_hand
from autochain.search.request import RunOptions, SearchRequest
from autochain.search.result import Suggestion, Verified
from autochain.search.run import MeasuredMix
from autochain.search.space import outline_at
from autochain.search.verify import SUGGESTION
from autochain.sheet import Sheet, build_sheet, to_json
from autochain.solve.decisions import Decisions, as_given
from autochain.solve.solved import Guess
from autochain.tasks.caller import Caller
from autochain.tasks.compare import CompareRequest
from autochain.tasks.compare import compare as run_compare
from autochain.tasks.curve import CurveRequest
from autochain.tasks.curve import curve as run_curve
from autochain.tasks.render import RenderRequest
from autochain.tasks.render import render as run_render
from autochain.tasks.suggest import SuggestRequest
from autochain.tasks.suggest import suggest as run_suggest

if TYPE_CHECKING:
    from autochain.desk.open_song import OpenSong
    from autochain.search.on_tools import OnTools

_HEADROOM_DB = 0.1  # under the ceiling, as every trial has it: peaks between samples


def measured(song: "OpenSong", progress: Progress = silent) -> MeasuredMix:
    """The mix, measured now where it was not before.

    A long job measures without a word: whoever tells how far a long job is waits for short ones, and a short one may
    be waiting to measure.
    """
    with song.measuring:
        if song.measured is None:
            request = SearchRequest(mix=song.mix, config=song.config)
            song.measured = MeasuredMix.of(request, RunOptions(progress=progress))
            song.looks = looks_of(song.mix, song.measured.readiness.findings)
            song.changed("measured")
        return song.measured


def ready_to_search(song: "OpenSong") -> None:
    """Measure the mix and put the first settings under the hand, where that was not done yet."""
    with song.measuring:
        found = measured(song)
        while song.state is None:
            wanted = song.wanted
            song.begin_at(wanted, _trade_default(found, wanted))


def measure(song: "OpenSong", progress: Progress) -> None:
    """Measure the mix; where nothing is under the hand, begin with what a careful hand might set. Read bounces."""
    measured(song, progress)
    if song.state is None:
        progress("setting the trade default", 0.9)
        ready_to_search(song)
    for path in sounds_in(song.files.bounces):
        try:
            song.add_bounce(path)
        except AutochainError as error:
            song.tell(str(error))


def _trade_default(found: MeasuredMix, target: Target) -> HandState:
    """The trade default with what is prepared for this mix; a gain alone for one that must not be worked on."""
    config = found.request.config
    chain = config.chain_plan
    simple = found.by_gain(target)
    if simple is not None:
        return HandState(settings=chain.checked(simple.chosen.settings), target=target)
    ready = replace(found, request=replace(found.request, config=config.model_copy(update={"target": target}))).ready()
    outline = outline_at(config.search.trade_default, ready.binding.searched, target.ceiling_dbtp - _HEADROOM_DB, chain)
    settings = ready.excerpts.solve(outline, target.loudness_lufs, Guess()).settings
    return HandState(settings=chain.checked(chain.rounded(settings)), target=target)


def _state_of(song: "OpenSong") -> HandState:
    """What is under the hand; UsageError where nothing is yet."""
    return song.hand.there.state


def verify_song(song: "OpenSong", progress: Progress, stop: Stop) -> None:
    """Verify what is under the hand; no more once it is something else."""
    state, verdict = song.state, song.hand.verdict
    if state is None or (verdict is not None and verdict.found is not None):
        return  # figures off a sheet are exact, but they draw no picture of the song
    try:
        _judged(song, state, progress, lambda: stop() or song.state is not state)
    except StoppedError:
        return


def _judged(song: "OpenSong", state: HandState, progress: Progress, stop: Stop) -> None:
    ends = None if song.measured is None else song.measured.prepared.ends
    whole = song.whole.verified(state, ends, stop, lambda share: progress("verifying on the whole song", share))
    state = song.hand.judge(state, whole)
    if song.measured is not None:
        before, hops = song.measured.before, song.measured.hops
        song.course = course_of(song.mix, hops, before, whole.found, whole.render, state.target)
        song.course_of = state.active, state.target
    for what in ("hand", "costs", "versions"):
        song.changed(what)


def sheet_of_hand(song: "OpenSong", progress: Progress, stop: Stop, *, on_tools: bool = False) -> Sheet:
    """The sheet of what is under the hand, verified now where it was not before.

    With `on_tools` it has a column for the tools of the user's own that the configuration names.
    """
    found = measured(song)
    verdict = song.hand.verdict
    for _ in range(3):
        state = _state_of(song)
        verdict = song.hand.verdict
        if verdict is not None and verdict.found is not None:
            break
        _judged(song, state, progress, stop)
    if verdict is None or verdict.found is None:
        raise UsageError("your settings were turned while they were verified. Do it again when they rest.")
    baselines, saving_db = _beside(song, state)
    decisions = Decisions(locks=state.locked, without=state.left_out)
    suggestion = by_hand(found, verdict.found, state.target, decisions, baselines, saving_db)
    return build_sheet(suggestion, _tools_set(song, suggestion, progress, stop) if on_tools else None)


def _tools_set(song: "OpenSong", suggestion: Suggestion, progress: Progress, stop: Stop) -> "OnTools | None":
    """How the user's own tools have to stand; None where the configuration names none."""
    if not song.config.tools.files:
        return None
    refuse_stopped(stop)
    # What fits and draws is loaded where there is a tool.
    from autochain.search.on_tools import set_tools
    from autochain.tool.tool import tool_of_file

    progress("setting your own tools", 0.0)
    return set_tools(suggestion, [tool_of_file(Path(one)) for one in song.config.tools.files])


def _beside(song: "OpenSong", state: HandState) -> tuple[dict[str, Verified], float]:
    """Baselines of the suggestion, where it is of this mix and has this target; what its rotation saves."""
    sheet = song.sheet
    if sheet is None or sheet.said is None or sheet.sheet.mix_sha256 != song.mix.sha256:
        return {}, 0.0
    same = "rotation" in state.active and sheet.settings.of("rotation") == state.active.of("rotation")
    saving_db = sheet.said.costs.rotation_saving_db if same else 0.0
    if sheet.target != state.target:
        return {}, saving_db
    found = {}
    for name, (settings, figures) in sheet.baselines.items():
        assert figures.costs is not None
        assert figures.score is not None
        found[name] = Verified(
            name=name,
            settings=settings,
            after=figures.levels,
            costs=figures.costs,
            score=figures.score,
            met=figures.met,
            saturated=False,
            early_work_db=0.0,
        )
    return found, saving_db


def _caller(song: "OpenSong", progress: Progress, stop: Stop, state: HandState | None = None) -> Caller:
    """Whoever listens to a task: the page."""

    def better(settings: ChainSettings, score: float) -> None:
        if state is not None:
            song.best(settings, score, state)

    def ending() -> bool:
        return stop()

    return Caller(
        tell=song.tell,
        ask=lambda question: True,
        watch=lambda: nullcontext(progress),
        stoppable=lambda: nullcontext(ending),
        better=better,
        point=lambda point: None if state is None else song.point(point, state),
        seen=None if song.measured is None else song.measured.seen,
    )


def _decided(state: HandState) -> tuple[list[str], list[str]]:
    """Locks and stages left out as a command takes them."""
    locks = [as_given(s, name, value) for s, own in state.locked.items() for name, value in own.items()]
    return locks, sorted(state.left_out)


def _taste(song: "OpenSong") -> Path | None:
    return song.files.choices if song.by_choices else None


def search(song: "OpenSong", around: bool, progress: Progress, stop: Stop) -> None:
    """Search, as `suggest` does; what it suggests comes under the hand where nobody has turned anything yet."""
    ready_to_search(song)
    state = _state_of(song)
    sheet = sheet_of_hand(song, progress, stop) if around else None
    if around:
        state = _state_of(song)
    song.whole.drop()
    locks, without = ([], []) if around else _decided(state)
    files, untouched = song.files, not song.can_undo and song.sheet is None
    request = SuggestRequest(
        mix=song.mix,
        lufs=state.target.lufs,
        loudest_part_lufs=state.target.loudest_part_lufs,
        ceiling_dbtp=state.target.ceiling_dbtp,
        lock=locks,
        without=without,
        config=song.plan,
        out=files.out,
        around=sheet,
        references=() if around else song.references,
        taste=_taste(song),
        resume=files.journal.exists(),
        force=True,
    )
    earlier = files.sheet.read_bytes() if files.sheet.exists() else None
    caller = replace(_caller(song, progress, stop, state), tell=_unsaid)
    try:
        try:
            run_suggest(request, caller)
        except JournalError:  # what a stopped run has left was asked for something else
            run_suggest(replace(request, resume=False), caller)
    except StoppedError:
        raise StoppedError("Stopped before any trial was done. The next search goes on from there.") from None
    finally:
        song.hear(BEST, None)
    if earlier is not None and not _same_settings(earlier, files.sheet.read_bytes()):
        song.kept.keep_bytes("earlier suggestion", earlier)
    song.read_versions()
    if untouched:
        song.take(SUGGESTION, 0.0 if song.hand.now is None else song.hand.now.place.start_s)
        song.changed("hand")
        verify_song(song, progress, stop)
    song.changed("costs")


def _unsaid(words: str) -> None:
    """What a command tells of its options, which nobody has given here."""


def _same_settings(one: bytes, other: bytes) -> bool:
    try:
        return bool(json.loads(one)["stages"] == json.loads(other)["stages"])
    except (ValueError, KeyError, TypeError, RecursionError):
        return False


def trace_curve(
    song: "OpenSong", quiet_lufs: float, loud_lufs: float, step_lu: float, progress: Progress, stop: Stop
) -> None:
    """Trace the curve, as `curve` does; one that is stopped keeps the points that were found by then."""
    ready_to_search(song)
    state = _state_of(song)
    song.whole.drop()
    locks, without = _decided(state)
    request = CurveRequest(
        mix=song.mix,
        quiet_lufs=quiet_lufs,
        loud_lufs=loud_lufs,
        step_lu=step_lu,
        ceiling_dbtp=state.target.ceiling_dbtp,
        lock=locks,
        without=without,
        config=song.plan,
        taste=_taste(song),
        out=song.files.out,
        force=True,
    )
    targets, points = targets_lufs(quiet_lufs, loud_lufs, step_lu), list[Point]()
    ceiling_dbtp = state.target.ceiling_dbtp

    def found(point: Point) -> None:
        points.append(point)
        song.curve = of_points(points, targets, ceiling_dbtp)
        song.point(point, state)

    before, song.curve = song.curve, of_points((), targets, ceiling_dbtp)
    song.read_versions()
    song.changed("curve")
    try:
        traced = run_curve(request, replace(_caller(song, progress, stop, state), point=found))
        song.curve = of_curve(traced.curve)
    except StoppedError:  # before anything was found: what there was is there still
        song.curve = before
        raise
    finally:
        if song.curve is not None:
            song.curve = replace(song.curve, running=False)
        song.read_versions()
        song.changed("curve")


def deliver_version(song: "OpenSong", formats: Sequence[str], key: str, progress: Progress, stop: Stop) -> None:
    """Write the files that go out, as `render` does."""
    text = _sheet_text(song, key, progress, stop)
    song.whole.drop()
    request = RenderRequest(
        mix=song.mix,
        sheet=sheet_in(text.encode(), song.files.delivered),
        out=song.files.out,
        also=formats,
        force=song.files.delivery.exists(),
    )
    song.delivery = run_render(request, _caller(song, progress, stop)).delivery
    write_text(song.files.delivered, text, force=True)  # what a bounce of these files is judged by
    song.changed("delivered")


def _sheet_text(song: "OpenSong", key: str, progress: Progress, stop: Stop) -> str:
    """The sheet of a version as a file has it; UsageError where it has none."""
    if key == HAND:
        return to_json(sheet_of_hand(song, progress, stop))
    path = song.files.delivered if key == DELIVERED else song.sheet_path(key)
    if path is None or not path.exists():
        raise UsageError(f"the version {quoted(key)} has no sheet. Take its settings first.")
    return path.read_text(encoding="utf-8")


def delivered_as(song: "OpenSong", sha256: str) -> bool:
    """Whether a file is one of those that went out, and the sheet of these is there."""
    try:
        told = json.loads(song.files.delivery.read_bytes())
        own = hashlib.sha256(song.files.delivered.read_bytes()).hexdigest()
        return told["sheet"]["sha256"] == own and any(one["sha256"] == sha256 for one in told["files"])
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return False


def judges_of(song: "OpenSong", sha256: str) -> dict[str, str]:
    """Names of the versions that a bounce may be held against, by key; the likeliest first."""
    out = {DELIVERED: "what went out"} if delivered_as(song, sha256) else {}
    own = {} if song.state is None else {HAND: "your settings"}
    sheets = {one.key: one.name for one in song.versions() if song.sheet_path(one.key) is not None}
    on_tools, _ = song.on_tools()  # tells already how these have to stand
    first = {on_tools: sheets[on_tools]} if on_tools in sheets else {}
    return out | first | own | sheets


def compare(song: "OpenSong", key: str, by: str, progress: Progress, stop: Stop) -> None:
    """Compare a bounce with the mix and with the sheet of a version, as `compare` does; `by` "" for the likeliest."""
    bounce = song.bounce(key)
    judges = judges_of(song, bounce.sha256)
    by = by or next(iter(judges), "")
    if by == HAND:
        text = to_json(sheet_of_hand(song, progress, stop, on_tools=True))
    else:
        text = _sheet_text(song, by, progress, stop) if by else ""
    sheet = sheet_in(text.encode(), song.files.sheet) if by else None
    song.whole.drop()
    out = song.files.out
    request = CompareRequest(
        mix=song.mix,
        master=bounce.path,
        sheet=sheet,
        out=out,
        force=(out / f"{bounce.path.stem}.compare.json").exists(),
    )
    song.compared[key] = judges.get(by, ""), run_compare(request, _caller(song, progress, stop))
    song.changed("compared")
