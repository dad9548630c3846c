"""Whether a sheet's equalisers and rotation are in a bounce, and whether anything else moved tone or width."""

from collections.abc import Callable, Iterator

from autochain.chain.settings import ROTATION
from autochain.compare.advice import Advice
from autochain.compare.comparison import Comparison
from autochain.compare.equaliser_share import equaliser_shares
from autochain.compare.rendered_sheet import RenderedSheet
from autochain.measure.band_changes import BandChange, regions
from autochain.units import frequency, number

_TURN_DEG = 20.0
_ASYMMETRY_DB = 0.5
_TONE_DB = 1.0
_WIDTH_DB = 0.5
_PART = 0.35


def linear_advice(rendered: RenderedSheet, planned: Comparison, bounce: Comparison) -> Iterator[Advice]:
    """Look at the equalisers, at the rotation and at the width; parameters as of `bounce.advise`."""
    moved = tuple(_equalisers(rendered, planned, bounce))
    yield from moved
    yield from _rotation(rendered, planned, bounce, equalised_otherwise=any(one.stage for one in moved))
    yield from _width(planned, bounce)


def _equalisers(rendered: RenderedSheet, planned: Comparison, bounce: Comparison) -> Iterator[Advice]:
    told = False
    for stage, found in equaliser_shares(rendered.curves, planned.bands, bounce.bands).items():
        if found.left_out:
            seen, todo = "It looks left out.", "Switch it on, with the bands of the sheet."
        elif found.twice:
            seen, todo = "It looks applied twice.", "Look for a second one, or for doubled gains."
        elif found.in_part:
            seen = f"It does about {number(100.0 * found.share, '%', 0)} of what the sheet asks."
            todo = "Compare the gains and the Q of its bands with the sheet."
        else:
            continue
        told = True
        yield Advice(stage=stage, seen=seen, try_next=todo, size=abs(1.0 - found.share) / _PART)
    if told:
        return
    for region in regions(bounce.bands, _beyond(planned), _TONE_DB):
        if region.bands >= 2:
            yield Advice(
                stage="",
                seen=f"{frequency(region.low_hz)} to {frequency(region.high_hz)} came out "
                f"{number(abs(region.mean_db), 'dB')} {'louder' if region.mean_db > 0.0 else 'quieter'} than planned.",
                try_next="Look for an equaliser that the sheet does not have, or a tool with a curve of its own.",
                size=abs(region.mean_db) / _TONE_DB,
            )


def _beyond(planned: Comparison) -> Callable[[BandChange], float | None]:
    """How much further a band of the bounce moved than planned."""
    plan = {band.nominal_hz: band.change_db for band in planned.bands}

    def value(band: BandChange) -> float | None:
        theirs = plan.get(band.nominal_hz)
        return None if theirs is None or band.change_db is None else band.change_db - theirs

    return value


def _rotation(
    rendered: RenderedSheet, planned: Comparison, bounce: Comparison, *, equalised_otherwise: bool
) -> Iterator[Advice]:
    if ROTATION not in rendered.settings:
        return
    apart = _turn(bounce.turn_deg - planned.turn_deg)
    asymmetry, was = bounce.master.figures.asymmetry_db, planned.master.figures.asymmetry_db
    lean = 0.0 if asymmetry is None or was is None else asymmetry - was
    if apart <= _TURN_DEG and lean <= _ASYMMETRY_DB:
        return
    missing = apart <= _TURN_DEG or _turn(bounce.turn_deg) < 0.5 * _turn(planned.turn_deg)
    if equalised_otherwise and not missing:  # an equaliser turns the phase, too
        return
    more = f"; its peaks are {number(lean, 'dB')} more one-sided than planned" if lean > _ASYMMETRY_DB else ""
    yield Advice(
        stage=ROTATION,
        seen=f"It looks {'left out' if missing else 'set otherwise'}{more}.",
        try_next=f"Rotate by {rendered.set_to(ROTATION, 'angle_deg')}; where no tool does that, the peak stages have "
        "more to do."
        if rendered.settings[ROTATION].word("kind", "constant") == "constant"
        else "Use the all-pass filters of the sheet; where no tool of yours does that, leave them out.",
        size=max(apart / _TURN_DEG, lean / _ASYMMETRY_DB),
    )


def _turn(angle_deg: float) -> float:
    """Size of an angle, polarity aside, 0 to 90 degrees."""
    return abs((angle_deg + 90.0) % 180.0 - 90.0)


def _width(planned: Comparison, bounce: Comparison) -> Iterator[Advice]:
    if planned.width_change_db is None or bounce.width_change_db is None:
        return
    apart = bounce.width_change_db - planned.width_change_db
    if abs(apart) > _WIDTH_DB:
        yield Advice(
            stage="",
            seen=f"The image is {number(abs(apart), 'dB')} {'wider' if apart > 0.0 else 'narrower'} than planned.",
            try_next="Look for a width control, for bands on mid or side, and for stages that do not link channels.",
            size=abs(apart) / _WIDTH_DB,
        )
