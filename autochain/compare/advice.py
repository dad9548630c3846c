"""What looks off in a bounce beside the sheet it was made by, and what to try next: loudness, ceiling, reduction."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from autochain.chain.settings import CLIPPER, DRIVE, LIMITER, OUTPUT, StageName
from autochain.compare.comparison import Comparison
from autochain.compare.rendered_sheet import RenderedSheet
from autochain.units import number

_LOUDNESS_LU = 0.2
MUCH_LOUDER_LU = 1.0
AS_LOUD_LU = 0.5
_CEILING_DB = 0.05
_LOWER_DB = 0.3  # a ceiling that much under the planned one costs loudness
_PLR_DB = 0.5
_HITS_DB = 0.5
_CREST_DB = 0.3
_MOVEMENT_DB = 0.2
_NMR_DB = 3.0
_HEARD_NMR_DB = -35.0  # under it a difference in distortion is no matter


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """One thing that looks off.

    Attributes
    ----------
    stage
        Stage of the chain by name, or empty where none is to blame.
    seen
        What differs from what is planned, a sentence.
    try_next
        What to do, a sentence.
    size
        How many times it exceeds what is let pass.
    """

    stage: StageName | Literal[""]
    seen: str
    try_next: str
    size: float


def _denser(planned: Comparison, bounce: Comparison) -> float:
    """How much less the peaks of the bounce stand above its loudness."""
    plan, own = planned.master.figures.plr_db, bounce.master.figures.plr_db
    return 0.0 if plan is None or own is None else plan - own


def loudness_advice(
    rendered: RenderedSheet,
    planned: Comparison,
    bounce: Comparison,
    miss_lu: float,
    over_db: float,
    drive_off_db: float | None,
) -> Iterator[Advice]:
    """Look at the loudness; parameters as of `bounce.advise`."""
    denser_db = _denser(planned, bounce)
    size = abs(miss_lu) / _LOUDNESS_LU
    amount = number(abs(miss_lu if drive_off_db is None else drive_off_db), "dB")
    drive = rendered.on_sheet(DRIVE, "gain_db")
    if miss_lu < -_LOUDNESS_LU:
        seen = f"The bounce is {number(-miss_lu, 'LU')} quieter than planned"
        if denser_db < -_PLR_DB:
            yield Advice(
                stage=DRIVE,
                seen=f"{seen}, and its peaks stand {number(-denser_db, 'dB')} further above its loudness: the drive is "
                "too low.",
                try_next=f"Raise the drive by about {amount}{drive}, then look at the meters again.",
                size=size,
            )
        elif denser_db <= _PLR_DB and over_db < -_CEILING_DB:
            yield Advice(
                stage=OUTPUT,
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
                try_next="Look for a stage that takes more than its meter on the sheet, and for gain lost after it.",
                size=size,
            )
    elif miss_lu > _LOUDNESS_LU:
        yield Advice(
            stage=DRIVE,
            seen=f"The bounce is {number(miss_lu, 'LU')} louder than planned.",
            try_next=f"Lower the drive by about {amount}{drive}.",
            size=size,
        )


def ceiling_advice(
    rendered: RenderedSheet, planned: Comparison, bounce: Comparison, miss_lu: float, over_db: float
) -> Iterator[Advice]:
    """Look at the true peak; parameters as of `bounce.advise`."""
    target_dbtp = rendered.sheet.target.ceiling_dbtp
    ceiling = rendered.set_to(LIMITER, "ceiling_dbtp") or number(target_dbtp, "dBTP")
    set_back = rendered.set_back(LIMITER, "ceiling_dbtp", ceiling)
    figures = bounce.master.figures
    was = planned.master.figures.true_peak_dbtp
    lower_db = 0.0 if was is None or figures.true_peak_dbtp is None else was - figures.true_peak_dbtp
    if over_db > _CEILING_DB:
        sample_over = figures.sample_peak_dbfs is not None and figures.sample_peak_dbfs > target_dbtp
        cause = (
            "its samples are over, too: something behind the limiter adds level, or the limiter is set too high or off."
            if sample_over
            else "its samples are under: the limiter holds samples, not true peaks."
        )
        yield Advice(
            stage=LIMITER,
            seen=f"The true peak is {number(over_db, 'dB')} over the ceiling; {cause}",
            try_next=f"{set_back} with true peak on, as the last stage; if it stands there already, lower it by "
            f"{number(over_db + 0.1, 'dB')}.",
            size=over_db / _CEILING_DB,
        )
    elif lower_db > _LOWER_DB and miss_lu > -_LOUDNESS_LU:
        yield Advice(
            stage=LIMITER,
            seen=f"The true peak stays {number(lower_db, 'dB')} under the planned one at the planned loudness: hits "
            "are limited more than needed.",
            try_next=f"{set_back}, and lower the drive until the loudness is the target's.",
            size=lower_db / _LOWER_DB,
        )


def total_reduction_advice(
    rendered: RenderedSheet, planned: Comparison, bounce: Comparison, *, as_loud: bool
) -> Iterator[Advice]:
    """Look at what all reduction does together; `as_loud` where the bounce is about as loud as the target."""
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
    lost = f"hits lose {number(hits, 'dB')} more attack than planned" if hits > _HITS_DB else ""
    also = f"; {lost}" if lost else ""
    if movement > _MOVEMENT_DB:
        yield Advice(
            stage="",
            seen=f"The gain moves by {number(bounce.movement_db, 'dB')} rms in step with the music instead of "
            f"{number(planned.movement_db, 'dB')}{also}: more reduction than planned.",
            try_next="Go through the meters from the first compressor on, and compare attack and release.",
            size=movement / _MOVEMENT_DB,
        )
    elif nmr > _NMR_DB or low > _NMR_DB:
        bass = low > nmr
        where = " in the bass" if bass else ""
        yield Advice(
            stage=LIMITER if bass or CLIPPER not in rendered.settings else CLIPPER,
            seen=f"Distortion is {number(max(nmr, low), 'dB')} higher than planned{where}{also}.",
            try_next=(
                f"Compare the limiter's release{rendered.on_sheet(LIMITER, 'release_ms')} and look-ahead"
                f"{rendered.on_sheet(LIMITER, 'lookahead_ms')}: shorter ones roughen the bass."
                if bass or CLIPPER not in rendered.settings
                else f"{rendered.turn(CLIPPER, 'ceiling_dbfs', up=True)}{rendered.on_sheet(CLIPPER, 'ceiling_dbfs')} "
                f"until its meter shows {rendered.meter(CLIPPER)}, and compare its softness."
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
    elif nmr < -_NMR_DB and CLIPPER in rendered.settings and as_loud:
        back = rendered.set_back(CLIPPER, "ceiling_dbfs", rendered.set_to(CLIPPER, "ceiling_dbfs"))
        yield Advice(
            stage=CLIPPER,
            seen=f"Distortion is {number(-nmr, 'dB')} lower than planned: the clipper does less, "
            "and the limiter more.",
            try_next=f"{back}, or leave it so if you like it better.",
            size=-nmr / _NMR_DB,
        )
