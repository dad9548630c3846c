"""The second pass over an album: every track searched again with the common settings, and which tracks take them."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from autochain.album import record as records
from autochain.album.common_settings import Differences, SecondSearch, common_settings, differences, has_common
from autochain.album.job import Job, Outcome
from autochain.album.record import Record
from autochain.album.tracks import Track
from autochain.chain.settings import ChainSettings
from autochain.config import Config
from autochain.earlier.read import read_sheet
from autochain.earlier.sheet import EarlierSheet
from autochain.units import number

FOLDER = "same-settings"  # inside the album's, for the sheets with the common settings
_FEWEST = 2  # tracks that can have something in common

BY_GAIN = "it needs a gain alone"
FORBIDDEN = "it cannot have all stages of the common settings"


@dataclass(frozen=True, slots=True, kw_only=True)
class SameSettings:
    """What became of the common settings.

    Attributes
    ----------
    within
        Score that a track may lose by them.
    worth_db
        What that much score is worth in local crest, dB; None where that does not count.
    common
        The settings by stage; empty where the tracks have nothing in common.
    cost
        Score lost by each track that has them, by stem; negative where the second search found something better.
    kept_own
        Why each other track that could be done keeps its own settings, by stem.
    before, after
        Knobs that differ between the tracks' own settings, and between those they have now.
    """

    within: float
    worth_db: float | None
    common: ChainSettings
    cost: Mapping[str, float]
    kept_own: Mapping[str, str]
    before: Differences
    after: Differences

    def folder(self, stem: str) -> str:
        """Folder of a track's sheets inside the album's; empty for the album's own."""
        return FOLDER if stem in self.cost else ""


def second_jobs(jobs: Sequence[Job], own: Mapping[str, Outcome], out: Path) -> tuple[ChainSettings, list[Job]]:
    """Give the common settings of tracks that are done, and the jobs that hold them."""
    searched: list[tuple[Job, EarlierSheet, ChainSettings]] = []
    for job in jobs:
        if isinstance(own.get(job.stem), Record):
            sheet = _sheet(out, job.stem)
            if sheet.point is not None:
                searched.append((job, sheet, job.plan.chain_plan.checked(sheet.stages)))
    if len(searched) < _FEWEST:
        return ChainSettings(), []
    common = common_settings([settings for *_, settings in searched], searched[0][0].plan.chain_plan)
    return common, [_second(job, sheet, common) for job, sheet, _ in searched]


def _sheet(out: Path, stem: str) -> EarlierSheet:
    # A name that a move of the track does not change.
    return replace(read_sheet(out / f"{stem}.sheet.json"), file="the track's own sheet")


def _second(job: Job, sheet: EarlierSheet, common: ChainSettings) -> Job:
    # "house" is in the records of albums that are done; another word would do all their tracks again.
    request = {"own": job.request, "sheet": sheet.sha256, "house": json.dumps(common.plain(), sort_keys=True)}
    return replace(job, second=SecondSearch(sheet=sheet, common=common), request=records.request_sha256(request))


def decide(
    tracks: Sequence[Track],
    own: Mapping[str, Outcome],
    second: Mapping[str, Outcome],
    out: Path,
    common: ChainSettings,
    within: float,
    config: Config,
) -> SameSettings:
    """Decide which tracks take the common settings: those that reach their target with them and lose little enough."""
    chain = config.chain_plan
    cost: dict[str, float] = {}
    why: dict[str, str] = {}
    before: list[ChainSettings] = []
    after: list[ChainSettings] = []
    for stem in (track.stem for track in tracks):
        free, again = own[stem], second.get(stem)
        if not isinstance(free, Record):
            continue
        if again is None:
            why[stem] = BY_GAIN
            continue
        settings = chain.checked(_sheet(out, stem).stages)
        before.append(settings)
        after.append(settings)
        if not isinstance(again, Record):
            why[stem] = again.reason
            continue
        lost, there = again.score - free.score, chain.checked(_sheet(out / FOLDER, stem).stages)
        if free.met and not again.met:
            why[stem] = "it would miss its loudness"
        elif not has_common(there, common):
            why[stem] = FORBIDDEN
        elif lost > within:
            why[stem] = f"it would lose {number(lost, decimals=2)} of score"
        else:
            cost[stem] = lost
            after[-1] = there
    crest = config.weights.crest_loss_db
    return SameSettings(
        within=within,
        worth_db=within / crest if crest else None,
        common=common,
        cost=cost,
        kept_own=why,
        before=differences(before),
        after=differences(after),
    )
