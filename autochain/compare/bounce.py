"""Whether the engineer's own bounce reaches the target of its sheet, and which stage looks off.

The bounce and the sheet carried out (what is planned) are each compared with the mix; what the two comparisons differ
in points to a stage. The limits of what is let pass stand beside the rules: common practice, no source.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from autochain.audio.mix import Mix
from autochain.chain.settings import DRIVE, OUTPUT
from autochain.compare.advice import (
    AS_LOUD_LU,
    MUCH_LOUDER_LU,
    Advice,
    ceiling_advice,
    loudness_advice,
    total_reduction_advice,
)
from autochain.compare.comparison import Comparison, compare
from autochain.compare.linear_advice import linear_advice
from autochain.compare.rendered_sheet import RenderedSheet, render_sheet
from autochain.compare.stage_reduction import stage_reduction_advice
from autochain.config import read_config
from autochain.config.model import Target
from autochain.earlier.sheet import EarlierSheet
from autochain.progress import Progress, silent
from autochain.render.master import solve_by_renders, solve_master
from autochain.render.sheet_chain import sheet_chain

# Settings are made in steps of 0.1 dB and other meters print one decimal: a hand can come this close.
_LOUDNESS_LU = 0.2
CEILING_DB = 0.05
_SMALL_LU = 1.0
_LEVEL = (DRIVE, OUTPUT)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BounceVerdict:
    """The verdict on a bounce.

    Attributes
    ----------
    sheet
        Base name of the sheet.
    same_mix
        Whether the mix is the very file that the sheet was made for.
    target
        What it aims at.
    loudness_lufs
        Loudness of the bounce, of the kind that the target names; None when it has none.
    true_peak_dbtp
        Highest of the three readings of the bounce.
    loud_enough, under_ceiling
        Whether it is within 0.2 LU of the target, and not over the ceiling by more than 0.05 dB.
    planned
        What the sheet does to the mix.
    advice
        What looks off and what to try next, the most important first.
    on_tools
        Names of the user's own tools by whose models `planned` was made; none where the sheet has no column for them.
    """

    sheet: str
    same_mix: bool
    target: Target
    loudness_lufs: float | None
    true_peak_dbtp: float | None
    loud_enough: bool
    under_ceiling: bool
    planned: Comparison
    advice: tuple[Advice, ...]
    on_tools: tuple[str, ...] = ()

    @property
    def reached(self) -> bool:
        """Whether the target is met."""
        return self.loud_enough and self.under_ceiling


def judge_bounce(
    rendered: RenderedSheet, planned: Comparison, bounce: Comparison, drive_off_db: float | None = None
) -> BounceVerdict:
    """Judge a bounce by its sheet.

    Parameters
    ----------
    rendered
        The sheet, carried out.
    planned, bounce
        What the sheet and the bounce do to the same mix.
    drive_off_db
        Drive with which the sheet would be as loud as the bounce, less its own; None where it is not known.
    """
    target = rendered.sheet.target
    heard, peak = target.heard_lufs(bounce.master.figures), bounce.master.figures.true_peak_dbtp
    miss_lu = None if heard is None else heard - target.loudness_lufs
    over_db = None if peak is None else peak - target.ceiling_dbtp
    return BounceVerdict(
        sheet=rendered.sheet.file,
        same_mix=rendered.sheet.mix_sha256 == bounce.mix.sha256,
        target=target,
        loudness_lufs=heard,
        true_peak_dbtp=peak,
        loud_enough=miss_lu is not None and abs(miss_lu) <= _LOUDNESS_LU,
        under_ceiling=over_db is None or over_db <= CEILING_DB,
        planned=planned,
        advice=_ordered(advise(rendered, planned, bounce, _off_plan_lu(rendered, planned, heard, miss_lu), over_db,
                               drive_off_db), miss_lu),
        on_tools=() if rendered.on_tools is None
        else tuple(dict.fromkeys(one.tool.name for one in rendered.on_tools.placed.values())),
    )  # fmt: skip


def _off_plan_lu(
    rendered: RenderedSheet, planned: Comparison, heard: float | None, miss_lu: float | None
) -> float | None:
    """Loudness of the bounce over what is planned: the target, or what the tools come to by their models."""
    if rendered.on_tools is None or heard is None:
        return miss_lu
    plan = rendered.sheet.target.heard_lufs(planned.master.figures)
    return miss_lu if plan is None else heard - plan


def advise(
    rendered: RenderedSheet,
    planned: Comparison,
    bounce: Comparison,
    miss_lu: float | None,
    over_db: float | None,
    drive_off_db: float | None = None,
) -> Iterator[Advice]:
    """Look at the loudness, the ceiling, the reduction and the linear stages, in this order.

    Parameters
    ----------
    rendered
        The sheet, carried out.
    planned, bounce
        What the sheet and the bounce do to the mix.
    miss_lu, over_db
        Loudness of the bounce over the target, and its true peak over the ceiling.
    drive_off_db
        As `judge_bounce` takes it; None where it is not known.
    """
    if miss_lu is not None and over_db is not None:
        yield from loudness_advice(rendered, planned, bounce, miss_lu, over_db, drive_off_db)
        yield from ceiling_advice(rendered, planned, bounce, miss_lu, over_db)
    if miss_lu is None or miss_lu <= MUCH_LOUDER_LU:  # otherwise the drive is to blame for more reduction
        by_stage = tuple(stage_reduction_advice(rendered, planned, bounce, miss_lu))
        yield from by_stage or total_reduction_advice(
            rendered, planned, bounce, as_loud=abs(miss_lu or 0.0) <= AS_LOUD_LU
        )
    yield from (
        one
        for one in linear_advice(rendered, planned, bounce)
        # What another drive does to tone and width is no sign of a tool that the sheet does not have.
        if one.stage or abs(miss_lu or 0.0) <= MUCH_LOUDER_LU
    )


def _ordered(advice: Iterable[Advice], miss_lu: float | None) -> tuple[Advice, ...]:
    """What stands out most first; small steps of level last, since the loudness follows from all other stages."""
    small = miss_lu is not None and abs(miss_lu) <= _SMALL_LU

    def place(one: Advice) -> tuple[bool, float]:
        return small and one.stage in _LEVEL, -one.size

    return tuple(sorted(advice, key=place))


def check_bounce(
    sheet: EarlierSheet, mix: Mix, bounce: Comparison, progress: Progress = silent
) -> BounceVerdict:
    """Carry a sheet out on the mix, compare that with the mix, and judge a bounce by it."""
    progress("carrying out the sheet", 0.0)
    rendered = render_sheet(sheet, mix)
    planned = compare(mix, rendered.master, progress)
    return judge_bounce(rendered, planned, bounce, _drive_off_db(rendered, mix, bounce, progress))


def _drive_off_db(rendered: RenderedSheet, mix: Mix, bounce: Comparison, progress: Progress) -> float | None:
    """As `judge_bounce` takes it: a limiter answers a dB of drive with less than a LU, so it has to be solved for."""
    target = rendered.sheet.target
    heard = target.heard_lufs(bounce.master.figures)
    if heard is None or abs(heard - target.loudness_lufs) <= _LOUDNESS_LU:
        return None
    progress("looking for the drive of the bounce", 0.0)
    if rendered.on_tools is not None:
        master, met = solve_by_renders(mix, rendered.on_tools.chain, rendered.on_tools.settings, target, heard)
        return master.drive_moved_db if met else None
    config = read_config(None, {"target": target.model_dump(exclude_none=True)})
    chain, settings = sheet_chain(rendered.sheet)
    master, met = solve_master(mix, chain, settings, target, heard, config.search.drive)
    return master.drive_moved_db if met else None
