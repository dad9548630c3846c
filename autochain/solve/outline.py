"""What is given to a solve: settings, and what is left to solve in them."""

from collections.abc import Mapping
from dataclasses import dataclass

from autochain.chain.settings import DRIVE, LIMITER, ChainSettings, StageName
from autochain.solve.decisions import Decisions


@dataclass(frozen=True, slots=True, kw_only=True)
class Outline:
    """Chain settings before anything that depends on level is solved.

    Attributes
    ----------
    settings
        Per stage; thresholds, drive and clip ceiling hold a default until solved.
    work_db
        Work wanted from each compressor whose threshold is to be solved.
    clip_share
        Share of the peak work for the clipper; None when its ceiling is locked or it is left out.
    drive_db
        Locked drive, or None when it is to be solved.
    ceiling_locked
        True when the limiter's ceiling is the engineer's and must not be lowered, and where there is no limiter.
    """

    settings: ChainSettings
    work_db: Mapping[StageName, float]
    clip_share: float | None
    drive_db: float | None
    ceiling_locked: bool


def only_drive_left(settings: ChainSettings, decisions: Decisions) -> Outline:
    """Outline of settings in which only the drive is left to solve."""
    return Outline(
        settings=settings | decisions.locks.only(settings),
        work_db={},
        clip_share=None,
        drive_db=decisions.locks.get(DRIVE, "gain_db"),
        ceiling_locked=LIMITER not in settings or (LIMITER, "ceiling_dbtp") in decisions.locks,
    )
