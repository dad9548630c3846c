"""Spectrum, width and balance in words."""

from collections.abc import Iterator

from autochain.compare.comparison import Comparison
from autochain.compare.said import PLAIN_FAULT, Said
from autochain.measure.band_changes import BandChange, Region, regions
from autochain.units import frequency, number

# What is just noticed in a comparison at equal loudness. common practice, no source
TONE_DB = 0.5
WIDTH_DB = 0.5
WIDTH_BAND_DB = 1.5
BALANCE_DB = 0.3


def tone(found: Comparison) -> Iterator[Said]:
    """Ranges of the spectrum that moved."""
    for region in regions(found.bands, lambda band: band.change_db, TONE_DB):
        verb = "came up" if region.mean_db > 0.0 else "went down"
        yield Said(
            kind="tone",
            text=f"{_span(region)} {verb} {number(abs(region.mean_db), 'dB')}{_most(region)}.",
            value=region.mean_db,
            unit="dB",
            size=abs(region.mean_db) / TONE_DB * min(1.5, max(0.6, (region.bands / 3.0) ** 0.5)),
        )


def _span(region: Region) -> str:
    if region.bands == 1:
        return f"The band around {frequency(region.low_hz)}"
    return f"{frequency(region.low_hz)} to {frequency(region.high_hz)}"


def _most(region: Region) -> str:
    if region.bands < 2 or abs(region.most_db - region.mean_db) < TONE_DB:
        return ""
    return f", most at {frequency(region.most_hz)} ({number(region.most_db, 'dB', signed=True)})"


def width(found: Comparison) -> Iterator[Said]:
    """Sides against the middle, in all and by ranges."""
    overall = found.width_change_db
    before, after = (side.figures.side_to_mid_db for side in (found.mix, found.master))
    if before is not None and after is None:
        text = "The master is mono: the sides are gone."
        yield Said(kind="width", text=text, value=before, unit="dB", size=PLAIN_FAULT)
        return
    if before is None and after is not None:
        text = "The mix is mono, the master is not."
        yield Said(kind="width", text=text, value=after, unit="dB", size=PLAIN_FAULT)
        return
    if overall is not None and abs(overall) >= WIDTH_DB:
        yield Said(
            kind="width",
            text=f"The sides are {number(abs(overall), 'dB')} {_wider(overall)}.",
            value=overall,
            unit="dB",
            size=abs(overall) / WIDTH_DB,
        )

    def beyond(band: BandChange) -> float | None:
        return None if band.width_change_db is None else band.width_change_db - (overall or 0.0)

    for region in regions(found.bands, beyond, WIDTH_BAND_DB):
        moved = region.mean_db + (overall or 0.0)
        if abs(moved) < WIDTH_DB:
            continue
        yield Said(
            kind="width",
            text=f"From {frequency(region.low_hz)} to {frequency(region.high_hz)} the sides are "
            f"{number(abs(moved), 'dB')} {_wider(moved)}."
            if region.bands > 1
            else f"Around {frequency(region.low_hz)} the sides are {number(abs(moved), 'dB')} {_wider(moved)}.",
            value=moved,
            unit="dB",
            size=abs(moved) / (2.0 * WIDTH_BAND_DB) * min(1.5, max(0.6, (region.bands / 3.0) ** 0.5)),
        )


def _wider(change_db: float) -> str:
    return "wider" if change_db > 0.0 else "narrower"


def balance(found: Comparison) -> Iterator[Said]:
    """Left against right."""
    before, after = (side.figures.channel_imbalance_db for side in (found.mix, found.master))
    if before is None or after is None:
        return
    moved = (-after if found.alignment.swapped else after) - before
    if abs(moved) >= BALANCE_DB:
        yield Said(
            kind="balance",
            text=f"The {'left' if moved > 0.0 else 'right'} channel gained {number(abs(moved), 'dB')} on the other.",
            value=moved,
            unit="dB",
            size=abs(moved) / BALANCE_DB,
        )
