"""Hits, peaks, distortion and movement of the level in words."""

from collections.abc import Iterator

from autochain.compare.comparison import Comparison
from autochain.compare.said import Said
from autochain.units import number

# What is just noticed in a comparison at equal loudness. common practice, no source
HITS_DB = 0.5
PEAKS_DB = 1.0
NMR_DB = -30.0  # where added distortion begins to cost in the search, too
NMR_STEP_DB = 5.0
MOVEMENT_DB = 0.3
CONTRAST_LU = 0.5


def hits(found: Comparison) -> Iterator[Said]:
    """Edge of strong hits."""
    change = found.onset_change_db
    if abs(change) >= HITS_DB:
        verb = "lost" if change < 0.0 else "gained"
        text = f"Hits {verb} {number(abs(change), 'dB')} of {'their ' if change < 0.0 else ''}edge against their body."
        yield Said(kind="hits", text=text, value=change, unit="dB", size=abs(change) / HITS_DB)


def peaks(found: Comparison) -> Iterator[Said]:
    """Peaks against loudness."""
    before, after = found.mix.figures.plr_db, found.master.figures.plr_db
    if before is not None and after is not None and abs(after - before) >= PEAKS_DB:
        less = after < before
        yield Said(
            kind="peaks",
            text=f"Peaks stand {number(abs(after - before), 'dB')} {'less' if less else 'further'} above the loudness "
            f"({number(before)} before, {number(after, 'dB')} now){': limited or clipped further' if less else ''}.",
            value=after - before,
            unit="dB",
            size=abs(after - before) / (2.0 * PEAKS_DB),
        )


def distortion(found: Comparison) -> Iterator[Said]:
    """What no static filter explains."""
    nmr = found.distortion.nmr_db
    if nmr >= NMR_DB:
        low = ", most of it under 200 Hz" if found.distortion.nmr_low_db > nmr + 3.0 else ""
        yield Said(
            kind="distortion",
            text=f"Distortion was added, {number(nmr, 'dB')} noise-to-mask{low} (about 0 is just audible by itself).",
            value=nmr,
            unit="dB",
            size=1.0 + (nmr - NMR_DB) / NMR_STEP_DB,
        )


def movement(found: Comparison) -> Iterator[Said]:
    """Gain in step with the music, and quiet against loud parts."""
    if found.movement_db >= MOVEMENT_DB:
        yield Said(
            kind="movement",
            text=f"The level moves by {number(found.movement_db, 'dB')} rms in step with the music, which the mix's "
            "does not: gain that follows hits or bass.",
            value=found.movement_db,
            unit="dB",
            size=found.movement_db / MOVEMENT_DB,
        )
    change = found.contrast_change_lu
    if abs(change) >= CONTRAST_LU:
        verb = "closer together" if change < 0.0 else "further apart"
        yield Said(
            kind="contrast",
            text=f"Quiet and loud parts are {number(abs(change), 'LU')} {verb}.",
            value=change,
            unit="LU",
            size=abs(change) / CONTRAST_LU,
        )
