"""Track after track: levels from all mixes first, then a search, three sheets and a record for each.

A track that fails is kept with its reason, and the others go on.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from autochain.album import record as records
from autochain.album.levels import targets_lufs
from autochain.album.record import Record
from autochain.album.tracks import Track
from autochain.audio.files import read_mix, write_text
from autochain.audio.mix import Mix
from autochain.config import Config
from autochain.config.read import LUFS_RANGE
from autochain.errors import AutochainError, TargetError, UsageError
from autochain.measure.loudness import gating_blocks, integrated_lufs, weighted_hops
from autochain.page import to_html
from autochain.search.contradictions import refuse_contradictions
from autochain.search.faint import faint
from autochain.search.progress import Progress
from autochain.search.request import request_of
from autochain.search.run import suggest
from autochain.search.space import Decisions
from autochain.sheet import build_sheet, to_json, to_markdown


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
    sources = tuple(track.path for track in tracks)
    results: dict[str, Record | str] = {}
    mixes: dict[str, float] = {}
    for place, track in enumerate(tracks):
        progress("measuring the mixes", place / len(tracks))
        try:
            mixes[track.stem] = _loudness(read_mix(track.path))
        except AutochainError as error:
            results[track.stem] = str(error)
    heard = [track for track in tracks if track.stem in mixes]
    levels = targets_lufs(policy, target, [mixes[t.stem] for t in heard], [t.offset_lu for t in heard])
    redone = 0
    for place, (track, level) in enumerate(zip(heard, levels, strict=True), 1):
        own = f"track {place} of {len(heard)}: "

        def show(phase: str, done: float, own: str = own) -> None:
            progress(own + phase, done)

        try:
            plan = _at(config, level)
            mix = read_mix(track.path)
            asked = records.request_sha256(request_of(mix, plan, decisions) | {"title": _sayable(track.title)})
            before = records.read_record(out / records.names(track.stem)[0]) if resume else None
            if before is not None and before.request == asked and records.whole(out, before):
                results[track.stem] = before
                continue
            results[track.stem] = _do(
                track, mix, mixes[track.stem], plan, decisions, out, jobs, asked, before, force, sources, show
            )
            redone += 1
        except AutochainError as error:
            results[track.stem] = str(error)
    return Album(
        policy=policy,
        target_lufs=target,
        ceiling_dbtp=config.target.ceiling_dbtp,
        tracks=tuple((track, results[track.stem]) for track in tracks),
        redone=redone,
    )


def _loudness(mix: Mix) -> float:
    found = integrated_lufs(weighted_hops(mix.samples, mix.rate_hz))
    if found is None:
        raise faint(mix)
    return found


def _sayable(name: str) -> str:
    """Name without bytes that are no text."""
    return name.encode("utf-8", errors="backslashreplace").decode("utf-8")


def _at(config: Config, lufs: float) -> Config:
    if not LUFS_RANGE[0] <= lufs <= LUFS_RANGE[1]:
        raise TargetError(f"This track would have to be at {lufs:.1f} LUFS; it must be -40 to 0. Change its offset.")
    return config.model_copy(update={"target": config.target.model_copy(update={"lufs": lufs})})


def _do(
    track: Track,
    mix: Mix,
    mix_lufs: float,
    plan: Config,
    decisions: Decisions,
    out: Path,
    jobs: int,
    asked: str,
    before: Record | None,
    force: bool,
    sources: tuple[Path, ...],
    progress: Progress,
) -> Record:
    known = [] if before is None else [*before.files.values(), *before.earlier]
    for name in records.names(track.stem)[1:]:
        path = out / name
        if path.exists() and not force and records.sha256(path.read_bytes()) not in known:
            raise UsageError(f"{path} is not as the album wrote it. Move it away, or replace it with --force.")
    found = suggest(mix, plan, decisions, jobs, progress)
    progress("drawing the page", 0.0)
    sheet = build_sheet(found)
    texts = {"html": to_html(found, sheet, listen=False), "md": to_markdown(sheet), "json": to_json(sheet)}
    named = {f"{track.stem}.sheet.{kind}": texts[kind] for kind in records.KINDS}
    assert plan.target.lufs is not None
    record = Record(
        request=asked,
        title=_sayable(track.title),
        file=mix.file,
        target_lufs=plan.target.lufs,
        mix_lufs=mix_lufs,
        ready=sheet.readiness.verdict,
        met=found.chosen.met,
        figures=found.chosen.after.as_dict(),
        score=found.chosen.score,
        files={name: records.sha256(records.as_bytes(text)) for name, text in named.items()},
        earlier=known,
        blocks=gating_blocks(weighted_hops(found.samples, mix.rate_hz)).tolist(),
    )
    # First, so that files a killed run has left are known as its own; a track is done when all its files are there.
    write_text(out / records.names(track.stem)[0], records.to_json(record), force or before is not None, sources)
    for name, text in named.items():
        write_text(out / name, text, force or before is not None, sources)
    return record
