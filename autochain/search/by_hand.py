"""Settings that a hand has found, as a suggestion: what a search would hand over of them, so that a sheet can be made.

Where a search would stand with these settings is read off their meters, so that one may begin there.
"""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from autochain.chain.settings import CLIPPER, LIMITER, ChainSettings, StageName
from autochain.config.coordinates import COMPRESSORS, COORDINATES, Coordinate
from autochain.config.model import Config, Coordinates, Target
from autochain.measure.loudness import loud_hops
from autochain.note import Note
from autochain.search.missed import missed_note
from autochain.search.notes import mono_note
from autochain.search.result import OnSheet, SearchStats, Suggestion, Verified
from autochain.search.run import MeasuredMix
from autochain.solve.decisions import Decisions
from autochain.solve.excerpts import GRID_HOPS
from autochain.solve.work import work_db

CHOSEN_FROM = "by hand"


def by_hand(
    measured: MeasuredMix,
    found: OnSheet,
    target: Target,
    decisions: Decisions,
    baselines: Mapping[str, Verified],
    rotation_saving_db: float = 0.0,
) -> Suggestion:
    """What a sheet is made of.

    Parameters
    ----------
    measured
        The mix.
    found
        The settings, verified and measured.
    target
        What they were to reach.
    decisions
        The engineer's. What no search can reach of the settings is added to the locks.
    baselines
        What they are listed beside: of this mix, at this target.
    rotation_saving_db
        What the rotation in the settings saves the peak stages, where that is known.
    """
    config = measured.request.config.model_copy(update={"target": target})
    point = point_of(measured, found, config)
    stats = SearchStats(
        trials=0, feasible=0, on_edge=(), mean_renders=0.0, chosen_from=CHOSEN_FROM, coordinates=point
    )
    mix, locks = measured.request.mix, decisions.locks
    nothing = np.zeros((0, mix.channels), dtype=mix.samples.dtype)
    return Suggestion(
        mix=mix,
        config=config,
        decisions=replace(decisions, locks=_out_of_reach(found.settings) | locks),
        before=measured.before,
        readiness=measured.readiness,
        chosen=found,
        samples=nothing,
        baselines=dict(baselines),
        neighbours={},
        rotation_saving_db=rotation_saving_db,
        spans=(),
        stats=stats,
        sensitivity=(),
        notes=(
            *(() if found.met else (missed_note(config, found, baselines.values(), locks, stats),)),
            *_prepared(measured, found.settings),
            *mono_note(mix.channels, found.settings),
        ),
        fingerprint=measured.seen.fingerprint,
    )


def _prepared(measured: MeasuredMix, settings: ChainSettings) -> tuple[Note, ...]:
    """Reasons of what was prepared, as far as it still stands in the settings."""
    prepared = measured.prepared
    if settings.holds(prepared.settings):
        return prepared.notes
    ends = prepared.ends_only()
    return ends.notes if settings.holds(ends.settings) else ()


def point_of(measured: MeasuredMix, found: OnSheet, config: Config) -> Coordinates:
    """Where a search would stand with these settings: shares of work as the meters show them.

    What a stage that is out would be set to is as the trade default has it.
    """
    loud = loud_hops(measured.hops, measured.seen.lufs)
    whole = len(loud) // GRID_HOPS * GRID_HOPS
    busy = loud[:whole].reshape(-1, GRID_HOPS).mean(axis=1) >= 0.5

    def work(stage: StageName) -> float:
        reductions = found.reductions_db[stage][:whole]
        blocks = reductions[: len(reductions) // GRID_HOPS * GRID_HOPS].reshape(-1, GRID_HOPS).max(axis=1)
        return work_db([blocks], [busy])

    point = config.search.trade_default.model_dump()
    for coordinate in COORDINATES:
        if coordinate.stage not in found.settings:
            if coordinate.off_below is not None:
                point[coordinate.name] = 0.0
            continue
        if coordinate.stage in COMPRESSORS and coordinate.solves:
            value = work(coordinate.stage)
        elif coordinate.stage == CLIPPER and coordinate.solves:
            value = _clip_share(found)
        else:
            value = found.settings[coordinate.stage][coordinate.parameter]
        point[coordinate.name] = _within(coordinate, value)
    return Coordinates.model_validate(point)


def _clip_share(found: OnSheet) -> float:
    """Share of the peak work that the clipper takes: what it takes at most, and what it leaves over the limiter."""
    taken_db = max(0.0, float(found.reductions_db[CLIPPER].max(initial=0.0)))
    limit_db = found.settings.get(LIMITER, "ceiling_dbtp")
    left_db = 0.0 if limit_db is None else max(0.0, found.settings[CLIPPER]["ceiling_dbfs"] - limit_db)
    return taken_db / (taken_db + left_db) if taken_db > 0.0 else 0.0


def _within(coordinate: Coordinate, value: float) -> float:
    low, high = coordinate.meaningful
    return min(high, max(low, value))


def _out_of_reach(settings: ChainSettings) -> ChainSettings:
    """Settings that a search moves and could not have come to, such as an onset that is taken back."""
    locks = ChainSettings()
    for coordinate in COORDINATES:
        value = settings.get(coordinate.stage, coordinate.parameter) if not coordinate.solves else None
        if value is not None and _within(coordinate, value) != value:
            locks = locks.with_(coordinate.stage, {coordinate.parameter: value})
    return locks
