"""Several songs that belong together: a sheet for each, and one overview over all."""

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import nullcontext
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

from autochain.album.as_json import to_json
from autochain.album.cluster import cluster
from autochain.album.job import Failure
from autochain.album.joined import cannot_run_into
from autochain.album.levels import OFFSETS, POLICIES, SAME
from autochain.album.listening import AlbumSound, album_sounds
from autochain.album.masters import master_names, write_masters
from autochain.album.record import track_file_names
from autochain.album.report import OVERVIEW_FILES, to_html, to_markdown
from autochain.album.run import Album, AlbumPlan, refuse_other_target, run
from autochain.album.same_settings import FOLDER
from autochain.album.tracks import Track, find_tracks
from autochain.audio.files import check_output
from autochain.audio.output_set import OutputSet, output_set
from autochain.config import Config
from autochain.errors import AutochainError, UsageError
from autochain.search.contradictions import refuse_contradictions
from autochain.solve.decisions import Decisions
from autochain.tasks.caller import NOBODY, Caller
from autochain.tasks.outputs import stage_texts, usable_log, write_log
from autochain.tasks.sounds import files_among, header_of
from autochain.tasks.wish import Wish, tell_of_taste


@dataclass(frozen=True, slots=True, kw_only=True)
class AlbumRequest(Wish):
    """What is asked; what every search may be told stands in `Wish`, whose jobs are tracks here.

    Attributes
    ----------
    sources
        Files, folders (their sound files by name) and lists in TOML.
    out
        Folder of all files.
    levels
        One of `album.levels.POLICIES`.
    lufs
        Integrated loudness of the loudest track, -40 to 0 LUFS.
    scheduler
        Dask scheduler whose workers do the tracks, `tcp://HOST:PORT`; None does them here.
    same_settings
        Points of score, 0 or more, that a track may lose for the settings that all share; None leaves each its own.
    masters
        Also render every track.
    resume
        Do only what is missing or has changed.
    sound
        Whether the page plays a part of each song.
    log
        Gets a line a track; None for none.
    """

    sources: Sequence[Path]
    out: Path
    levels: str = SAME
    lufs: float | None = None
    scheduler: str | None = None
    same_settings: float | None = None
    masters: bool = False
    resume: bool = False
    sound: bool = True
    log: Path | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Gathered:
    """What became of all tracks, which masters could not be written, where the overview is, and what its page plays."""

    album: Album
    failures: tuple[Failure, ...]
    files: tuple[Path, ...]
    heard: AlbumSound | None = None

    @property
    def all_done(self) -> bool:
        """Whether every track has its sheet, and its master where it was asked for."""
        return not self.failures and len(self.album.done) == len(self.album.tracks)

    @property
    def all_met(self) -> bool:
        """Whether every track that is done reaches its loudness."""
        return all(record.met for record in self.album.done)

    def markdown(self) -> str:
        """The overview to read."""
        return to_markdown(self.album)

    def html(self) -> str:
        """The same with pictures."""
        return to_html(self.album, self.heard)

    def json(self) -> str:
        """All figures."""
        return to_json(self.album)


def album(request: AlbumRequest, caller: Caller = NOBODY) -> Gathered:
    """Do every track that is not done already, and write the overview.

    Raises
    ------
    UsageError, ConfigError, ParameterError, TargetError
        A request that cannot hold, or files that are there already.
    AutochainError
        A scheduler that does not answer or whose workers are unlike this machine.
    AudioFileError
        A folder that cannot be read or written; what is wrong with a track is kept in the result.
    """
    if request.levels not in POLICIES:
        raise UsageError(f"--levels {request.levels} does not exist. Choose {', '.join(POLICIES)}.")
    within = request.same_settings
    if within is not None and not 0.0 <= within < math.inf:
        raise UsageError(f"--same-settings {within:g} is not possible. Choose 0 or more points of score.")
    tracks = find_tracks(request.sources)
    if request.levels == OFFSETS and not any(track.offset_lu for track in tracks):
        raise UsageError("--levels offsets needs offset_lu in a list in TOML, and there is none. Write the list.")
    config, decisions = request.settled(request.lufs)
    tell_of_taste(config, caller)
    refuse_other_target(config)
    refuse_contradictions(decisions, config, None)
    folders = (request.out, request.out / FOLDER)
    with output_set(request.out, "album", parts=folders) as outputs:
        return _gathered(request, outputs, tracks, config, decisions, caller)


def _gathered(
    request: AlbumRequest,
    outputs: OutputSet,
    tracks: Sequence[Track],
    config: Config,
    decisions: Decisions,
    caller: Caller,
) -> Gathered:
    replace_own, sources = request.force or request.resume, _sources(request, tracks)
    _refuse_outputs(request, tracks, replace_own, sources)
    caller = replace(caller, tell=_once(caller.tell))
    if not request.resume:  # which is there to read no mix again
        for problem in _unusable(tracks):
            caller.tell(problem)
    log = usable_log(request.log, caller)
    plan = AlbumPlan(
        tracks=tracks,
        policy=request.levels,
        config=config,
        decisions=decisions,
        out=request.out,
        jobs=request.jobs,
        force=request.force,
        resume=request.resume,
        same_within=request.same_settings,
        tools=request.own_tools(config),
    )
    found, failures = _done(request, plan, outputs, log, caller)
    heard = None
    if request.sound:
        with caller.watch() as show:
            heard = album_sounds(found, request.out, show)
    result = Gathered(album=found, failures=tuple(failures), files=(), heard=heard)
    texts = {"album.md": result.markdown(), "album.html": result.html(), "album.json": result.json()}
    files = stage_texts(outputs, texts)
    outputs.commit(replace_own, sources)
    return replace(result, files=files)


def _done(
    request: AlbumRequest, plan: AlbumPlan, outputs: OutputSet, log: Path | None, caller: Caller
) -> tuple[Album, list[Failure]]:
    """Do the tracks and render their masters; also the masters that could not be rendered."""
    workers = nullcontext() if request.scheduler is None else cluster(request.scheduler)
    with workers as hand_out, caller.watch() as show:
        found = run(
            plan,
            show,
            log=lambda entry: write_log(log, lambda: entry, caller),
            hand_out=hand_out,
            tell=lambda failure: caller.tell(failure.reason),
        )
        if not request.masters:
            return found, []
        return found, write_masters(found, outputs, request.force, request.resume, show)


def _once(tell: Callable[[str], None]) -> Callable[[str], None]:
    """Tell nothing twice: what a header shows is found again when the mix is read."""
    told = set[str]()

    def tell_new(words: str) -> None:
        if words not in told:
            told.add(words)
            tell(words)

    return tell_new


def _sources(request: AlbumRequest, tracks: Iterable[Track]) -> tuple[Path, ...]:
    """Mixes, lists and choices, which are never replaced."""
    mixes = [path for track in tracks for path in track.paths]
    given = files_among((*request.tools, request.taste))
    return (*mixes, *(source for source in request.sources if source.is_file()), *given)


def _refuse_outputs(
    request: AlbumRequest, tracks: Sequence[Track], replace_own: bool, sources: Sequence[Path]
) -> None:
    own = [name for track in tracks for name in track_file_names(track.stem)]
    written = [*OVERVIEW_FILES, *own]
    if request.masters:
        written += [name for track in tracks for name in master_names(track)]
    check_output(request.out, written, replace_own, sources)
    if request.same_settings is not None:
        check_output(request.out / FOLDER, own, replace_own, sources)


def _unusable(tracks: Iterable[Track]) -> Iterator[str]:
    """What already the headers of the mixes forbid; these tracks will fail, and the others go on."""
    for track in tracks:
        try:
            headers = [(path.name, *header_of(path)) for path in track.paths]
        except AutochainError as error:
            yield str(error)
            continue
        for one, other in pairwise(headers):
            if one[1:] != other[1:]:
                yield cannot_run_into(one, other)
