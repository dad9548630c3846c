"""The album as a whole: levels from all mixes first, then every track that is not done already.

Whatever does a track, only this writes: the record first, so that files which a killed run has left are known as its
own; a track is done when all its files are there. A track that fails is kept with its reason, and the others go on.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from autochain.album import record as records
from autochain.album.job import Finished, Heard, Job, carry_out, hear
from autochain.album.levels import targets_lufs
from autochain.album.record import Record
from autochain.album.tracks import Track
from autochain.audio.files import write_text
from autochain.config import Config
from autochain.config.read import LUFS_RANGE
from autochain.errors import AutochainError, TargetError, UsageError
from autochain.search.contradictions import refuse_contradictions
from autochain.search.progress import Progress
from autochain.search.request import request_of
from autochain.search.space import Decisions


@dataclass(frozen=True, slots=True, kw_only=True)
class Album:
    """What became of every track, in album order: its record, or one line that says why there is none."""

    policy: str
    target_lufs: float
    ceiling_dbtp: float
    tracks: tuple[tuple[Track, Record | str], ...]
    redone: int

    @property
    def done(self) -> list[Record]:
        """Records of the tracks that could be done."""
        return [found for _, found in self.tracks if isinstance(found, Record)]


def run(
    tracks: Sequence[Track],
    policy: str,
    config: Config,
    decisions: Decisions,
    out: Path,
    jobs: int,
    force: bool,
    resume: bool,
    progress: Progress,
) -> Album:
    """Do every track that is not done already; `config` holds the target of the loudest track in LUFS."""
    target = config.target.lufs
    if target is None:
        raise UsageError("An album's target is an integrated loudness. Give --lufs in place of the loudest part.")
    refuse_contradictions(decisions, config, None)
    results: dict[str, Record | str] = {}
    mixes: dict[str, Heard] = {}
    for place, track in enumerate(tracks):
        progress("measuring the mixes", place / len(tracks))
        heard = hear(track.path)
        if isinstance(heard, Heard):
            mixes[track.stem] = heard
        else:
            results[track.stem] = heard
    named = [track for track in tracks if track.stem in mixes]
    levels = targets_lufs(policy, target, [mixes[t.stem].lufs for t in named], [t.offset_lu for t in named])
    left: list[Job] = []
    known: dict[str, list[str]] = {}  # hashes of files that the album wrote, by track
    for track, level in zip(named, levels, strict=True):
        try:
            job = _job(track, mixes[track.stem], _at(config, level), decisions, jobs)
            before = records.read_record(out / records.names(job.stem)[0]) if resume else None
            if before is not None and before.request == job.request and records.whole(out, before):
                results[job.stem] = before
                continue
            known[job.stem] = [] if before is None else [*before.files.values(), *before.earlier]
            _refuse_edited(out, job.stem, known[job.stem], force)
            left.append(job)
        except AutochainError as error:
            results[track.stem] = str(error)
    sources = tuple(track.path for track in tracks)
    redone = 0
    for job, found in _done(left, progress):
        try:
            if isinstance(found, Finished):
                results[job.stem] = _keep(out, found, job.stem, known[job.stem], force, sources)
                redone += 1
            else:
                results[job.stem] = found
        except AutochainError as error:
            results[job.stem] = str(error)
    return Album(
        policy=policy,
        target_lufs=target,
        ceiling_dbtp=config.target.ceiling_dbtp,
        tracks=tuple((track, results[track.stem]) for track in tracks),
        redone=redone,
    )


def _done(left: Sequence[Job], progress: Progress) -> Iterator[tuple[Job, Finished | str]]:
    """Jobs with what came of them, as they finish."""
    for place, job in enumerate(left, 1):
        own = f"track {place} of {len(left)}: "

        def show(phase: str, done: float, own: str = own) -> None:
            progress(own + phase, done)

        yield job, carry_out(job, show)


def _job(track: Track, heard: Heard, plan: Config, decisions: Decisions, jobs: int) -> Job:
    title = _sayable(track.title)
    return Job(
        path=track.path,
        heard=heard,
        title=title,
        stem=track.stem,
        plan=plan,
        decisions=decisions,
        request=records.request_sha256(request_of(heard.sha256, plan, decisions) | {"title": title}),
        threads=jobs,
    )


def _sayable(name: str) -> str:
    """Name without bytes that are no text."""
    return name.encode("utf-8", errors="backslashreplace").decode("utf-8")


def _at(config: Config, lufs: float) -> Config:
    if not LUFS_RANGE[0] <= lufs <= LUFS_RANGE[1]:
        raise TargetError(f"This track would have to be at {lufs:.1f} LUFS; it must be -40 to 0. Change its offset.")
    return config.model_copy(update={"target": config.target.model_copy(update={"lufs": lufs})})


def _refuse_edited(out: Path, stem: str, known: Sequence[str], force: bool) -> None:
    for name in records.names(stem)[1:]:
        path = out / name
        if path.exists() and not force and records.sha256(path.read_bytes()) not in known:
            raise UsageError(f"{path} is not as the album wrote it. Move it away, or replace it with --force.")


def _keep(
    out: Path, found: Finished, stem: str, known: Sequence[str], force: bool, sources: tuple[Path, ...]
) -> Record:
    """Write a finished track; `known` are hashes of the files that it may replace."""
    _refuse_edited(out, stem, known, force)
    record = found.record.model_copy(update={"earlier": list(known)})
    replace = force or bool(known)
    write_text(out / records.names(stem)[0], records.to_json(record), replace, sources)
    for name, text in found.texts.items():
        write_text(out / name, text, replace, sources)
    return record
