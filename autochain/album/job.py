"""One track: a job that holds all it needs, and what comes of it. Nothing here writes a file."""

import traceback
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from autochain.album import record as records
from autochain.album import tone
from autochain.album.common_settings import SecondSearch
from autochain.album.joined import read_joined, song_slices
from autochain.album.record import JoinedSong, Record
from autochain.audio.mix import Samples
from autochain.chain.settings import OUTPUT
from autochain.config import Config
from autochain.errors import AudioFileError, AutochainError
from autochain.given import name_shown
from autochain.log.entry import render_entry
from autochain.measure.head_and_tail import measure_head_and_tail
from autochain.measure.hop_sums import measure_hop_sums
from autochain.measure.loudness import gating_blocks, integrated_lufs, weighted_hops
from autochain.measure.loudness_histogram import gating_block_levels
from autochain.measure.true_peak import read_true_peak
from autochain.note import Note
from autochain.page import thirds_of, to_html
from autochain.progress import Progress, silent
from autochain.search.request import RunOptions, SearchRequest
from autochain.search.run import suggest
from autochain.sheet import SHEET_KINDS, build_sheet, to_json, to_markdown
from autochain.sheet.findings import kinds
from autochain.solve.decisions import Decisions
from autochain.solve.inaudible import inaudible

if TYPE_CHECKING:
    from autochain.tool.tool import Tool


@dataclass(frozen=True, slots=True, kw_only=True)
class HeardMix:
    """A track's mix as it was when the levels were decided: its hash (`joined`), integrated loudness, length."""

    sha256: str
    lufs: float
    duration_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One track; plain values, so that another process can do it.

    `plan` holds the track's own target, `request` is the hash of all that the result depends on. The same job gives
    the same bytes, wherever it is done. With `second` it is the track's second search, which holds common settings.
    `tools` are the user's own processors, which the sheet then tells what to set on.
    """

    paths: tuple[Path, ...]
    heard: HeardMix
    titles: tuple[str, ...]
    stem: str
    plan: Config
    decisions: Decisions
    request: str
    second: SecondSearch | None = None
    tools: "tuple[Tool, ...]" = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Failure:
    """Why nothing came of a track: its mix (of several, joined by +), and one line on what was wrong and what to do."""

    file: str
    reason: str

    @classmethod
    def of(cls, paths: Sequence[Path], reason: str) -> "Failure":
        """Failure of the track that these mixes make."""
        return cls(file=" + ".join(sayable(path.name) for path in paths), reason=reason)


@dataclass(frozen=True, slots=True, kw_only=True)
class Finished:
    """What came of a job: its record, the text of each of its files by name, its entry for the log."""

    record: Record
    texts: Mapping[str, str]
    entry: Mapping[str, Any]


# What is known of a track at the end.
Outcome = Record | Failure


def sayable(name: str) -> str:
    """Name without bytes and characters that are no text."""
    return name_shown(name)


def hear(paths: Sequence[Path]) -> HeardMix | Failure:
    """Measure a track's mix."""
    try:
        mix, _ = read_joined(paths)
        lufs = integrated_lufs(weighted_hops(mix.samples, mix.rate_hz))
        if lufs is None:
            raise inaudible(mix)
    except Exception as error:
        return Failure.of(paths, _reason(error))
    return HeardMix(sha256=mix.sha256, lufs=lufs, duration_s=mix.duration_s)


def carry_out(job: Job, threads: int = 1, progress: Progress = silent) -> Finished | Failure:
    """Search a track and make its sheet, `threads` trials at a time."""
    try:
        return _carry_out(job, threads, progress)
    except Exception as error:
        return Failure.of(job.paths, _reason(error))


def _reason(error: Exception) -> str:
    """One line; a fault of ours in one track must not cost the others, and says where it is."""
    if isinstance(error, AutochainError):
        return str(error)
    file, line, *_ = traceback.extract_tb(error.__traceback__)[-1]
    words = " ".join(f"{type(error).__name__}: {error}".split())
    return f"{words} ({Path(file).name}:{line}). A fault of the program; please report it."


def _carry_out(job: Job, threads: int, progress: Progress) -> Finished:
    mix, starts = read_joined(job.paths)
    if mix.sha256 != job.heard.sha256:
        raise AudioFileError(f"{mix.file} was changed while the album was made. Give the command again with --resume.")
    if job.second is None:
        asked = SearchRequest(mix=mix, config=job.plan, decisions=job.decisions, tools=job.tools)
    else:
        decisions, plan, near = job.second.asked(job.decisions, job.plan)
        asked = SearchRequest(mix=mix, config=plan, decisions=decisions, near=near)
    found = suggest(asked, RunOptions(jobs=threads, progress=progress))
    songs = _songs(job.titles, mix.rate_hz, starts, found.samples)
    if songs:
        found = replace(found, notes=(*found.notes, _joined_note(songs)))
    on_tools = None
    if job.tools:
        from autochain.search.on_tools import set_tools

        progress("setting your own tools", 0.0)
        on_tools = set_tools(found, job.tools)
    progress("drawing the page", 0.0)
    sheet = build_sheet(found, on_tools)
    thirds = thirds_of(found)
    page = to_html(found, sheet, thirds=thirds)
    texts = {"html": page, "md": to_markdown(sheet), "json": to_json(sheet)}
    named = {f"{job.stem}.sheet.{kind}": texts[kind] for kind in SHEET_KINDS}
    ends = measure_head_and_tail(measure_hop_sums(found.samples, mix.rate_hz))
    output = found.chosen.settings.of(OUTPUT)
    assert job.plan.target.lufs is not None
    record = Record(
        request=job.request,
        title=" / ".join(job.titles),
        file=mix.file,
        target_lufs=job.plan.target.lufs,
        mix_lufs=job.heard.lufs,
        ready=sheet.readiness.verdict,
        met=found.chosen.met,
        figures=found.chosen.after.as_dict(),
        score=found.chosen.score,
        balance_db=tone.balance_db(thirds),
        change_db=tone.change_db(thirds),
        head_s=ends.head_s + (output.get("head_silence_ms", 0.0) - output.get("head_cut_ms", 0.0)) / 1000.0,
        tail_s=ends.tail_s + (output.get("tail_silence_ms", 0.0) - output.get("tail_cut_ms", 0.0)) / 1000.0,
        parts=songs,
        reasons=kinds(finding for finding in sheet.readiness.findings if finding.sends_back),
        files={name: records.sha256(records.as_bytes(text)) for name, text in named.items()},
        earlier=[],
        levels=gating_block_levels(gating_blocks(weighted_hops(found.samples, mix.rate_hz))),
    )
    ended = found.stats.complete, found.chosen.met
    entry = render_entry("album", mix, found.before, found.chosen.after, thirds, *ended)
    return Finished(record=record, texts=named, entry=entry)


def _joined_note(songs: Sequence[JoinedSong]) -> Note:
    each = "; ".join(song.words() for song in songs)
    return Note(
        code="runs_into_next",
        text=f"These songs run into each other, with one gain and one setting for all. By themselves: {each}.",
        suggestion="Process them as one piece, with neither silence nor fade between, and cut the files apart last.",
    )


def _songs(titles: Sequence[str], rate_hz: int, starts: Sequence[int], master: Samples) -> list[JoinedSong]:
    """Figures of each song by itself; none where there is but one."""
    if len(starts) == 1:
        return []
    return [
        JoinedSong(
            title=title,
            start_s=cut.start / rate_hz,
            integrated_lufs=integrated_lufs(weighted_hops(master[cut], rate_hz)),
            true_peak_dbtp=read_true_peak(master[cut], rate_hz).highest_dbtp,
        )
        for title, cut in zip(titles, song_slices(starts, len(master)), strict=True)
    ]
