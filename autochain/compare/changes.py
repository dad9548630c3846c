"""What changed between two files, one sentence each: level, hits, distortion, spectrum, width and balance."""

from collections.abc import Iterator
from dataclasses import dataclass

from autochain.compare.comparison import Comparison
from autochain.measure.band_changes import BandChange, Region, regions
from autochain.units import frequency, number

# Swapped or inverted channels and missing sound are told before matters of degree; what is hardly heard, last.
PLAIN_FAULT = 20.0
HARDLY_HEARD = 1.0
# What is just noticed in a comparison at equal loudness. common practice, no source
HITS_DB = 0.5
PEAKS_DB = 1.0
NMR_DB = -30.0  # above it every dB costs the search nearly a point
NMR_STEP_DB = 5.0
MOVEMENT_DB = 0.3
CONTRAST_LU = 0.5
TONE_DB = 0.5
WIDTH_DB = 0.5
WIDTH_BAND_DB = 1.5
BALANCE_DB = 0.3


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One thing that changed.

    Attributes
    ----------
    kind
        What it is about; a key of `description.UNCHANGED`.
    text
        A sentence.
    value, unit
        The figure in it.
    size
        How many times it exceeds what is just noticed; less than 1 is not told.
    times_s
        Mix times to listen at, if it has any.
    """

    kind: str
    text: str
    value: float
    unit: str
    size: float
    times_s: tuple[float, ...] = ()


def hits(found: Comparison) -> Iterator[Change]:
    """Attack of strong hits: their first 15 ms against the 30 to 150 ms behind."""
    change = found.onset_change_db
    if abs(change) >= HITS_DB:
        verb = "lost" if change < 0.0 else "gained"
        text = f"Hits {verb} {number(abs(change), 'dB')} of attack against the sound that follows."
        yield Change(kind="hits", text=text, value=change, unit="dB", size=abs(change) / HITS_DB)


def peaks(found: Comparison) -> Iterator[Change]:
    """Peaks against loudness."""
    before, after = found.mix.figures.plr_db, found.master.figures.plr_db
    if before is not None and after is not None and abs(after - before) >= PEAKS_DB:
        less = after < before
        yield Change(
            kind="peaks",
            text=f"Peaks are {number(abs(after - before), 'dB')} {'closer to' if less else 'further above'} the "
            f"loudness (PLR {number(before)} before, {number(after, 'dB')} now)"
            f"{': limited or clipped further' if less else ''}.",
            value=after - before,
            unit="dB",
            size=abs(after - before) / (2.0 * PEAKS_DB),
        )


def distortion(found: Comparison) -> Iterator[Change]:
    """What no static filter explains."""
    nmr = found.distortion.nmr_db
    if nmr >= NMR_DB:
        low = ", most of it under 200 Hz" if found.distortion.nmr_low_db > nmr + 3.0 else ""
        yield Change(
            kind="distortion",
            text=f"Distortion was added: {number(nmr, 'dB')} noise-to-mask{low} (about 0 dB is just "
            "audible by itself).",
            value=nmr,
            unit="dB",
            size=1.0 + (nmr - NMR_DB) / NMR_STEP_DB,
        )


def movement(found: Comparison) -> Iterator[Change]:
    """Gain in step with the music, and quiet against loud parts."""
    if found.movement_db >= MOVEMENT_DB:
        yield Change(
            kind="movement",
            text=f"The gain moves by {number(found.movement_db, 'dB')} rms in step with the music: it follows hits or "
            "bass.",
            value=found.movement_db,
            unit="dB",
            size=found.movement_db / MOVEMENT_DB,
        )
    change = found.contrast_change_lu
    if abs(change) >= CONTRAST_LU:
        verb = "closer together" if change < 0.0 else "further apart"
        yield Change(
            kind="contrast",
            text=f"Quiet and loud parts are {number(abs(change), 'LU')} {verb}.",
            value=change,
            unit="LU",
            size=abs(change) / CONTRAST_LU,
        )


def tone(found: Comparison) -> Iterator[Change]:
    """Ranges of the spectrum that moved."""
    for region in regions(found.bands, lambda band: band.change_db, TONE_DB):
        verb = "came up" if region.mean_db > 0.0 else "went down"
        yield Change(
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


def width(found: Comparison) -> Iterator[Change]:
    """Sides against the middle, in all and by ranges."""
    overall = found.width_change_db
    before, after = (side.figures.side_to_mid_db for side in (found.mix, found.master))
    if before is not None and after is None:
        text = "The master is mono, the mix is stereo."
        yield Change(kind="width", text=text, value=before, unit="dB", size=PLAIN_FAULT)
        return
    if before is None and after is not None:
        text = "The mix is mono, the master is stereo."
        yield Change(kind="width", text=text, value=after, unit="dB", size=PLAIN_FAULT)
        return
    if overall is not None and abs(overall) >= WIDTH_DB:
        yield Change(
            kind="width",
            text=f"The stereo image is {number(abs(overall), 'dB')} {_wider(overall)} (side against mid).",
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
        yield Change(
            kind="width",
            text=f"{_span(region)}: the stereo image is {number(abs(moved), 'dB')} {_wider(moved)}.",
            value=moved,
            unit="dB",
            size=abs(moved) / (2.0 * WIDTH_BAND_DB) * min(1.5, max(0.6, (region.bands / 3.0) ** 0.5)),
        )


def _wider(change_db: float) -> str:
    return "wider" if change_db > 0.0 else "narrower"


def balance(found: Comparison) -> Iterator[Change]:
    """Left against right."""
    before, after = (side.figures.channel_imbalance_db for side in (found.mix, found.master))
    if before is None or after is None:
        return
    moved = (-after if found.alignment.swapped else after) - before
    if abs(moved) >= BALANCE_DB:
        yield Change(
            kind="balance",
            text=f"The {'left' if moved > 0.0 else 'right'} channel came up {number(abs(moved), 'dB')} "
            "against the other.",
            value=moved,
            unit="dB",
            size=abs(moved) / BALANCE_DB,
        )
