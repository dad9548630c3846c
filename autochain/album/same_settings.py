"""The second pass over an album: every track with the house setting, and which of them take it."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from autochain.album import record as records
from autochain.album.common_settings import Changes, Near, changes, house_of, keeps
from autochain.album.job import Job
from autochain.album.record import Record
from autochain.album.tracks import Track
from autochain.config import Config
from autochain.earlier.read import read_sheet
from autochain.earlier.sheet import EarlierSheet
from autochain.solve.decisions import Locks
from autochain.units import number

ALIKE = "same-settings"  # folder, inside the album's, of the sheets with the house setting
_FEWEST = 2  # tracks that can have something in common

BY_GAIN = "it needs a gain alone"
FORBIDDEN = "what else is asked of it keeps a stage of the common settings out"


@dataclass(frozen=True, slots=True, kw_only=True)
class Alike:
    """What became of the house setting.

    Attributes
    ----------
    within
        Score that a track may lose by it.
    worth_db
        What that much score is worth in local crest, dB; None where that does not count.
    house
        Its settings by stage; empty where the tracks have nothing in common.
    cost
        Score lost by each track that has it, by stem; negative where the second search found something better.
    own
        Why each other track that could be done keeps its own settings, by stem.
    before, after
        Knobs that differ between the tracks' own settings, and between those they have now.
    """

    within: float
    worth_db: float | None
    house: Locks
    cost: Mapping[str, float]
    own: Mapping[str, str]
    before: Changes
    after: Changes

    def folder(self, stem: str) -> str:
        """Folder of a track's sheets inside the album's; empty for the album's own."""
        return ALIKE if stem in self.cost else ""


def held_jobs(jobs: Sequence[Job], own: Mapping[str, Record | str], out: Path) -> tuple[Locks, list[Job]]:
    """Give the house setting of tracks that are done, and the jobs that hold it."""
    searched: list[tuple[Job, EarlierSheet, Locks]] = []
    for job in jobs:
        if isinstance(own.get(job.stem), Record):
            sheet = _sheet(out, job.stem)
            if sheet.point is not None:
                searched.append((job, sheet, job.plan.chain_plan.parsed(sheet.stages)))
    if len(searched) < _FEWEST:
        return {}, []
    house = house_of([settings for *_, settings in searched], searched[0][0].plan.chain_plan)
    return house, [_held(job, sheet, house) for job, sheet, _ in searched]


def _sheet(out: Path, stem: str) -> EarlierSheet:
    # A name that a move of the track does not change.
    return replace(read_sheet(out / f"{stem}.sheet.json"), file="the track's own sheet")


def _held(job: Job, sheet: EarlierSheet, house: Locks) -> Job:
    request = {"own": job.request, "sheet": sheet.sha256, "house": json.dumps(house, sort_keys=True)}
    return replace(job, near=Near(sheet=sheet, house=house), request=records.request_sha256(request))


def compare(
    tracks: Sequence[Track],
    own: Mapping[str, Record | str],
    held: Mapping[str, Record | str],
    out: Path,
    house: Locks,
    within: float,
    config: Config,
) -> Alike:
    """Decide which tracks take the house setting: those that reach their target with it and lose little enough."""
    chain = config.chain_plan
    cost: dict[str, float] = {}
    why: dict[str, str] = {}
    before: list[Locks] = []
    after: list[Locks] = []
    for stem in (track.stem for track in tracks):
        free, again = own[stem], held.get(stem)
        if not isinstance(free, Record):
            continue
        if again is None:
            why[stem] = BY_GAIN
            continue
        settings = chain.parsed(_sheet(out, stem).stages)
        before.append(settings)
        after.append(settings)
        if not isinstance(again, Record):
            why[stem] = again
            continue
        lost, there = again.score - free.score, chain.parsed(_sheet(out / ALIKE, stem).stages)
        if free.met and not again.met:
            why[stem] = "it would miss its loudness"
        elif not keeps(there, house):
            why[stem] = FORBIDDEN
        elif lost > within:
            why[stem] = f"it would lose {number(lost, decimals=2)} of score"
        else:
            cost[stem] = lost
            after[-1] = there
    crest = config.weights.crest_loss_db
    return Alike(
        within=within,
        worth_db=within / crest if crest else None,
        house=house,
        cost=cost,
        own=why,
        before=changes(before),
        after=changes(after),
    )
