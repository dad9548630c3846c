"""The album as a whole: levels from all mixes first, then every track that is not done already.

Where the same settings are asked for, tracks are done twice: each by itself, then with what they have in common held.

Whatever does a track, only this writes: the record first, so that files which a killed run has left are known as its
own; a track is done when all its files are there. A track that fails is kept with its reason, and the others go on.
What is held of a track once it is done is its row of the overview, so that a catalogue of many thousands fits.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from autochain.album import record as records
from autochain.album.job import Failure, Finished, HeardMix, Job, Outcome, carry_out, sayable
from autochain.album.levels import track_targets_lufs
from autochain.album.mixes import hear_mixes
from autochain.album.record import Record, left_behind, take_along
from autochain.album.same_settings import FOLDER, SameSettings, decide, second_jobs
from autochain.album.tracks import Track
from autochain.album.workers import LOST, processes_for, side_by_side
from autochain.audio.files import write_text
from autochain.config import Config
from autochain.config.read import LUFS_RANGE
from autochain.errors import AutochainError, TargetError, UsageError
from autochain.measure.loudness_histogram import LoudnessHistogram
from autochain.progress import Progress
from autochain.search.contradictions import refuse_contradictions
from autochain.search.request import request_of
from autochain.solve.decisions import Decisions

if TYPE_CHECKING:
    from autochain.tool.tool import Tool

# What becomes of jobs as they finish, in any order.
Done = Iterator[tuple[Job, Finished | Failure]]
HandOut = Callable[[Sequence[Job], Progress], Done]
Log = Callable[[Mapping[str, Any]], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Album:
    """What became of every track, in album order.

    `lufs` is the integrated loudness of all masters one after the other, None where none is done; `redone` counts
    searches; `same_settings` is None unless the same settings were asked for.
    """

    policy: str
    target_lufs: float
    ceiling_dbtp: float
    tracks: tuple[tuple[Track, Outcome], ...]
    lufs: float | None
    redone: int
    same_settings: SameSettings | None = None

    @property
    def done(self) -> list[Record]:
        """Records of the tracks that could be done."""
        return [found for _, found in self.tracks if isinstance(found, Record)]

    def sheet_stem(self, track: Track) -> str:
        """Where a track's sheets are from the album's folder, without `.sheet.` and what follows."""
        folder = "" if self.same_settings is None else self.same_settings.folder(track.stem)
        return f"{folder}/{track.stem}" if folder else track.stem


@dataclass(frozen=True, slots=True, kw_only=True)
class AlbumPlan:
    """What an album is made of, and where its files go.

    Attributes
    ----------
    tracks
        In album order.
    policy
        One of `levels.POLICIES`.
    config
        Holds the target of the loudest track, an integrated loudness.
    decisions
        Locks and stages left out, for all tracks.
    out
        Folder of all files; only one process writes there.
    jobs
        Processes of this machine, -1 for one on each core; changes nothing but time.
    force
        Replace files that the album did not write.
    resume
        Keep what an earlier run has done.
    same_within
        How much score a track may lose, 0 or more, to have the settings that all share; None leaves it its own.
    tools
        The user's own processors, for all tracks.
    """

    tracks: Sequence[Track]
    policy: str
    config: Config
    decisions: Decisions
    out: Path
    jobs: int = 1
    force: bool = False
    resume: bool = False
    same_within: float | None = None
    tools: "tuple[Tool, ...]" = ()


def run(
    plan: AlbumPlan,
    progress: Progress,
    log: Log | None = None,
    hand_out: HandOut | None = None,
    tell: Callable[[Failure], None] = lambda failure: None,
) -> Album:
    """Do every track that is not done already.

    Parameters
    ----------
    plan
        What is asked.
    progress
        Called with a phase and its share done.
    log
        Called with an entry for each track that is done.
    hand_out
        Does the jobs in another way than by processes of this machine.
    tell
        Called before the searches with each track that cannot be done.

    Raises
    ------
    UsageError
        For a target that is no integrated loudness; what is wrong with a track is kept in the result.
    """
    config, out = plan.config, plan.out
    target = refuse_other_target(config)
    refuse_contradictions(plan.decisions, config, None)
    results: dict[str, Outcome] = {}
    mixes: list[tuple[Track, HeardMix]] = []
    heard_mixes = hear_mixes(plan.tracks, out, plan.jobs, plan.resume, progress)
    for track, heard in zip(plan.tracks, heard_mixes, strict=True):
        if isinstance(heard, HeardMix):
            mixes.append((track, heard))
        else:
            results[track.stem] = heard
    mixes_lufs, offsets_lu = [heard.lufs for _, heard in mixes], [track.offset_lu for track, _ in mixes]
    levels = track_targets_lufs(plan.policy, target, mixes_lufs, offsets_lu)
    wanted: list[Job] = []
    for (track, heard), level in zip(mixes, levels, strict=True):
        try:
            wanted.append(_job(track, heard, _at(config, level), plan.decisions, plan.tools))
        except AutochainError as error:
            results[track.stem] = Failure.of(track.paths, str(error))
    work = _Work(plan=plan, progress=progress, hand_out=hand_out or partial(_here, jobs=plan.jobs), tell=tell)
    pool = LoudnessHistogram()
    same = None
    if plan.same_within is None:
        redone = work.do(wanted, out, results, pool, log)
    else:
        redone = work.do(wanted, out, results, None, log)
        own = dict(results)
        common, jobs = second_jobs(wanted, own, out)
        again: dict[str, Outcome] = {}
        redone += work.do(jobs, out / FOLDER, again, None, None)
        same = decide(plan.tracks, own, again, out, common, plan.same_within, config)
        results |= {stem: found for stem, found in again.items() if stem in same.cost}
        for stem, found in results.items():
            if isinstance(found, Record):
                whole = records.read_record(out / same.folder(stem) / records.track_file_names(stem)[0])
                pool.push([] if whole is None else whole.levels)
    return Album(
        policy=plan.policy,
        target_lufs=target,
        ceiling_dbtp=config.target.ceiling_dbtp,
        tracks=tuple((track, results[track.stem]) for track in plan.tracks),
        lufs=pool.lufs(),
        redone=redone,
        same_settings=same,
    )


def refuse_other_target(config: Config) -> float:
    """Integrated loudness that an album aims at; UsageError where the configuration has the loudest part's."""
    if config.target.lufs is None:
        raise UsageError("An album's target is an integrated loudness. Give --lufs in place of the loudest part.")
    return config.target.lufs


@dataclass(frozen=True, slots=True, kw_only=True)
class _Work:
    """How jobs are done."""

    plan: AlbumPlan
    progress: Progress
    hand_out: HandOut
    tell: Callable[[Failure], None]

    def do(
        self,
        wanted: Sequence[Job],
        out: Path,
        results: dict[str, Outcome],
        pool: LoudnessHistogram | None,
        log: Log | None,
    ) -> int:
        """Do the jobs that are not done already in a folder, and put what comes of all into `results`; how many."""

        def count(stem: str, record: Record) -> None:
            if pool is not None:
                pool.push(record.levels)
            results[stem] = record.model_copy(update={"levels": [], "earlier": []})

        left: list[Job] = []
        force, resume = self.plan.force, self.plan.resume
        moved = left_behind(out, (track.stem for track in self.plan.tracks)) if resume else {}
        for job in wanted:
            try:
                before = _before(out, job, moved) if resume else None
                if before is not None:
                    count(job.stem, before)
                    continue
                _refuse_edited(out, job.stem, _known(out, job.stem, resume), force)
                left.append(job)
            except AutochainError as error:
                results[job.stem] = Failure.of(job.paths, str(error))
        for found in results.values():
            if isinstance(found, Failure):
                self.tell(found)
        # The longest first, so that no process is left with one when the others have ended.
        left.sort(key=lambda job: -job.heard.duration_s)
        redone = 0
        for job, made in self.hand_out(left, self.progress):
            if isinstance(made, Failure):
                results[job.stem] = made
                continue
            try:
                count(job.stem, _keep(out, made, job, _known(out, job.stem, resume), force))
            except AutochainError as error:
                results[job.stem] = Failure.of(job.paths, str(error))
                continue
            redone += 1
            if log is not None:
                log(made.entry)
        return redone


def _here(left: Sequence[Job], progress: Progress, jobs: int) -> Done:
    """Do jobs on this machine; where there are fewer than may be done at a time, each has several trials at a time."""
    processes = processes_for(jobs, len(left))
    threads = max(1, processes_for(jobs, 1 << 20) // processes)
    done = 0

    def show(phase: str, share: float) -> None:
        progress(f"track {done + 1} of {len(left)}: {phase}", share)

    do = partial(carry_out, threads=threads)
    if processes == 1:
        do = partial(do, progress=show)
    else:
        progress(f"{processes} tracks at a time", 0.0)
    for job, found in side_by_side(do, left, processes, lambda job: Failure.of(job.paths, LOST)):
        done += 1
        if processes > 1:
            progress(f"{done} of {len(left)} tracks done", done / len(left))
        yield job, found


def _job(
    track: Track, heard: HeardMix, plan: Config, decisions: Decisions, tools: "tuple[Tool, ...]"
) -> Job:
    titles = tuple(sayable(song.title) for song in track.songs)
    named = {"title": " / ".join(titles), "file": " / ".join(sayable(path.name) for path in track.paths)}
    on = {"tools": [tool.sha256 for tool in tools]} if tools else {}
    return Job(
        paths=track.paths,
        heard=heard,
        titles=titles,
        stem=track.stem,
        plan=plan,
        decisions=decisions,
        request=records.request_sha256(request_of(heard.sha256, plan, decisions) | named | on),
        tools=tools,
    )


def _at(config: Config, lufs: float) -> Config:
    if not LUFS_RANGE[0] <= lufs <= LUFS_RANGE[1]:
        raise TargetError(f"This track would have to be at {lufs:.1f} LUFS; it must be -40 to 0. Change its offset.")
    return config.model_copy(update={"target": config.target.model_copy(update={"lufs": lufs})})


def _before(out: Path, job: Job, moved: Mapping[str, str]) -> Record | None:
    """Record of a job that was done in an earlier run."""
    record = records.read_record(out / records.track_file_names(job.stem)[0])
    if record is not None and record.request == job.request and records.is_whole(out, record):
        return record
    return take_along(out, job.request, job.stem, moved)


def _known(out: Path, stem: str, resume: bool) -> list[str]:
    """Hashes of files that an earlier run wrote, and that this one may replace."""
    before = records.read_record(out / records.track_file_names(stem)[0]) if resume else None
    return [] if before is None else [*before.files.values(), *before.earlier]


def _refuse_edited(out: Path, stem: str, known: Sequence[str], force: bool) -> None:
    for name in records.track_file_names(stem)[1:]:
        records.refuse_edited(out / name, known, force)


def _keep(out: Path, found: Finished, job: Job, known: Sequence[str], force: bool) -> Record:
    """Write a finished track; `known` are hashes of the files that it may replace."""
    _refuse_edited(out, job.stem, known, force)
    earlier = [one for one in known if one not in found.record.files.values()]
    record = found.record.model_copy(update={"earlier": earlier})
    replace, sources = force or bool(known), job.paths
    write_text(out / records.track_file_names(job.stem)[0], records.record_json(record), replace, sources)
    for name, text in found.texts.items():
        write_text(out / name, text, replace, sources)
    return record
