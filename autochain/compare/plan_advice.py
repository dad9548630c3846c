"""Which stage of a plan looks off in a bounce, and what to try next, in words."""

from collections.abc import Iterator

from autochain.compare.advice import Advice, on_sheet, set_to
from autochain.compare.comparison import Comparison
from autochain.compare.rendered_sheet import Plan
from autochain.compare.linear_advice import linear_stages
from autochain.compare.reduction_advice import work
from autochain.units import number

_LOUDNESS_LU = 0.2
_MUCH_LOUDER_LU = 1.0
_AS_LOUD_LU = 0.5
_CEILING_DB = 0.05
_LOWER_DB = 0.3  # a ceiling that much under the plan's costs loudness
_PLR_DB = 0.5
_HITS_DB = 0.5
_CREST_DB = 0.3
_MOVEMENT_DB = 0.2
_NMR_DB = 3.0
_HEARD_NMR_DB = -35.0  # under it a difference in distortion is no matter


def advise(
    plan: Plan,
    planned: Comparison,
    bounce: Comparison,
    miss_lu: float | None,
    over_db: float | None,
    drive_off_db: float | None = None,
) -> Iterator[Advice]:
    """Look at the loudness, the ceiling, the reduction and the linear stages, in this order.

    Parameters
    ----------
    plan
        The sheet, carried out.
    planned, bounce
        What the plan and the bounce do to the mix.
    miss_lu, over_db
        Loudness of the bounce over the target, and its true peak over the ceiling.
    drive_off_db
        Drive that would make the plan as loud as the bounce, less the sheet's; None where it is not known.
    """
    denser_db = _denser(planned, bounce)
    if miss_lu is not None and over_db is not None:
        yield from _loudness(plan, miss_lu, over_db, denser_db, drive_off_db)
        yield from _ceiling(plan, planned, bounce, miss_lu, over_db)
    if miss_lu is None or miss_lu <= _MUCH_LOUDER_LU:  # otherwise the drive is to blame for more reduction
        by_stage = tuple(work(plan, planned, bounce, miss_lu))
        yield from by_stage or _reduction(plan, planned, bounce, as_loud=abs(miss_lu or 0.0) <= _AS_LOUD_LU)
    yield from (
        one
        for one in linear_stages(plan, planned, bounce)
        # What another drive does to tone and width is no sign of a tool that the sheet does not have.
        if one.stage or abs(miss_lu or 0.0) <= _MUCH_LOUDER_LU
    )


def _denser(planned: Comparison, bounce: Comparison) -> float:
    """How much less the peaks of the bounce stand above its loudness."""
    plan, own = planned.master.figures.plr_db, bounce.master.figures.plr_db
    return 0.0 if plan is None or own is None else plan - own


def _loudness(
    plan: Plan, miss_lu: float, over_db: float, denser_db: float, drive_off_db: float | None
) -> Iterator[Advice]:
    size = abs(miss_lu) / _LOUDNESS_LU
    amount = number(abs(miss_lu if drive_off_db is None else drive_off_db), "dB")
    drive = on_sheet(plan, "drive", "gain_db")
    if miss_lu < -_LOUDNESS_LU:
        seen = f"The bounce is {number(-miss_lu, 'LU')} quieter than planned"
        if denser_db < -_PLR_DB:
            yield Advice(
                stage="drive",
                seen=f"{seen}, and its peaks stand {number(-denser_db, 'dB')} further above its loudness: the drive is "
                "too low.",
                try_next=f"Raise the drive by about {amount}{drive}, then look at the meters again.",
                size=size,
            )
        elif denser_db <= _PLR_DB and over_db < -_CEILING_DB:
            yield Advice(
                stage="output",
                seen=f"{seen} but as dense, and its true peak leaves {number(-over_db, 'dB')} under the ceiling: it is "
                "only turned down.",
                try_next="Raise the limiter's ceiling, or what follows it, by "
                f"{number(min(-over_db, -miss_lu), 'dB')}.",
                size=size,
            )
        else:
            yield Advice(
                stage="",
                seen=f"{seen}, although its peaks stand no further above its loudness.",
                try_next="Look for a stage that takes more than its meter on the sheet, and for gain lost behind it.",
                size=size,
            )
    elif miss_lu > _LOUDNESS_LU:
        yield Advice(
            stage="drive",
            seen=f"The bounce is {number(miss_lu, 'LU')} louder than planned.",
            try_next=f"Lower the drive by about {amount}{drive}.",
            size=size,
        )


def _ceiling(
    plan: Plan, planned: Comparison, bounce: Comparison, miss_lu: float, over_db: float
) -> Iterator[Advice]:
    ceiling = set_to(plan, "limiter", "ceiling_dbtp") or number(plan.sheet.target.ceiling_dbtp, "dBTP")
    figures = bounce.master.figures
    was = planned.master.figures.true_peak_dbtp
    lower_db = 0.0 if was is None or figures.true_peak_dbtp is None else was - figures.true_peak_dbtp
    if over_db > _CEILING_DB:
        sample_over = figures.sample_peak_dbfs is not None and figures.sample_peak_dbfs > plan.sheet.target.ceiling_dbtp
        cause = (
            "its very samples are over: something behind the limiter adds level, or the limiter is set too high or off."
            if sample_over
            else "its samples are under: the limiter holds samples, not true peaks."
        )
        yield Advice(
            stage="limiter",
            seen=f"The true peak is {number(over_db, 'dB')} over the ceiling; {cause}",
            try_next=f"Set the limiter's ceiling to {ceiling} with true peak on, as the last stage; if it stands there "
            f"already, lower it by {number(over_db + 0.1, 'dB')}.",
            size=over_db / _CEILING_DB,
        )
    elif lower_db > _LOWER_DB and miss_lu > -_LOUDNESS_LU:
        yield Advice(
            stage="limiter",
            seen=f"The true peak stays {number(lower_db, 'dB')} under the plan's at the planned loudness: hits are "
            "limited further than need be.",
            try_next=f"Set the limiter's ceiling to {ceiling}, and lower the drive until the loudness is the target's.",
            size=lower_db / _LOWER_DB,
        )


def _reduction(plan: Plan, planned: Comparison, bounce: Comparison, *, as_loud: bool) -> Iterator[Advice]:
    hits = planned.onset_change_db - bounce.onset_change_db
    crest = bounce.crest_loss_db - planned.crest_loss_db
    movement = bounce.movement_db - planned.movement_db
    nmr, low = (
        max(_HEARD_NMR_DB, own) - max(_HEARD_NMR_DB, theirs)
        for own, theirs in (
            (bounce.distortion.nmr_db, planned.distortion.nmr_db),
            (bounce.distortion.nmr_low_db, planned.distortion.nmr_low_db),
        )
    )
    lost = f"hits lose {number(hits, 'dB')} more of their edge than planned" if hits > _HITS_DB else ""
    also = f"; {lost}" if lost else ""
    if movement > _MOVEMENT_DB:
        yield Advice(
            stage="",
            seen=f"The level moves by {number(bounce.movement_db, 'dB')} rms in step with the music, planned are "
            f"{number(planned.movement_db, 'dB')}{also}: more reduction than planned.",
            try_next="Go through the meters from the first compressor on, and compare attack and release.",
            size=movement / _MOVEMENT_DB,
        )
    elif nmr > _NMR_DB or low > _NMR_DB:
        bass = low > nmr
        yield Advice(
            stage="limiter" if bass or "clipper" not in plan.settings else "clipper",
            seen=f"Distortion is {number(max(nmr, low), 'dB')} above the plan's{' in the bass' if bass else ''}{also}.",
            try_next=(
                f"Compare the limiter's release{on_sheet(plan, 'limiter', 'release_ms')} and look-ahead"
                f"{on_sheet(plan, 'limiter', 'lookahead_ms')}: shorter ones roughen the bass."
                if bass or "clipper" not in plan.settings
                else f"Raise the clipper's ceiling{on_sheet(plan, 'clipper', 'ceiling_dbfs')} until its meter shows "
                "what the sheet names, and compare its softness."
            ),
            size=max(nmr, low) / _NMR_DB,
        )
    elif lost or crest > _CREST_DB:
        crest_lost = f"crest is {number(crest, 'dB')} lower than planned"
        yield Advice(
            stage="",
            seen=f"More reduction than planned: {lost or crest_lost}.",
            try_next="Go through the meters from the first stage on until one shows more than the sheet names.",
            size=max(hits / _HITS_DB, crest / _CREST_DB),
        )
    elif nmr < -_NMR_DB and "clipper" in plan.settings and as_loud:
        yield Advice(
            stage="clipper",
            seen=f"Distortion is {number(-nmr, 'dB')} below the plan's: the clipper does less than planned, and the "
            "limiter more.",
            try_next=f"Set the clipper's ceiling to {set_to(plan, 'clipper', 'ceiling_dbfs')}, or leave it so if you "
            "like it better.",
            size=-nmr / _NMR_DB,
        )
