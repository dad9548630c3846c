"""What became of the spectrum and of the width, by third octaves and by runs of them that moved alike."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

from autochain.audio.mix import Samples
from autochain.measure.spectrum import SILENCE_POWER, Spectrum, measure_spectrum
from autochain.measure.third_octaves import ThirdOctave, third_octaves
from autochain.threads import in_threads
from autochain.units import power_to_db

# A band further under the strongest one says nothing that is heard.
_HEARD_DB = 60.0
# A side (or mid) this far under the other is not heard as width; as in `measure.image`.
_WIDTH_DB = 30.0
# Nor is a side this far under the strongest band.
_SIDE_HEARD_DB = 35.0


@dataclass(frozen=True, slots=True, kw_only=True)
class BandChange:
    """One third-octave band of mix and master, the master turned to the mix's loudness.

    Attributes
    ----------
    nominal_hz
        Name of the band.
    mix_db
        Level in the mix, in dB re a mean square of 1; None where there is nothing.
    mix_mid_db
        The same of its mid.
    change_db, mid_change_db, side_change_db
        Level of the master less that of the mix, of all, of mid and of side; None where either has nothing.
    heard
        Whether mix or master lies less than 60 dB under its strongest band there.
    width_change_db
        Change of side against mid; None where one of them is not heard beside the other.
    """

    nominal_hz: float
    mix_db: float | None
    mix_mid_db: float | None
    change_db: float | None
    mid_change_db: float | None
    side_change_db: float | None
    heard: bool
    width_change_db: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Region:
    """Neighbouring bands that moved the same way.

    Attributes
    ----------
    low_hz, high_hz
        Names of the first and the last band.
    bands
        How many they are.
    mean_db
        Mean change over them.
    most_hz, most_db
        The band that moved most, and by how much.
    """

    low_hz: float
    high_hz: float
    bands: int
    mean_db: float
    most_hz: float
    most_db: float


def band_changes(mix: Spectrum, master: Spectrum, gain_db: float) -> tuple[BandChange, ...]:
    """Compare two spectra of the same stretch.

    Parameters
    ----------
    mix, master
        At one sample rate.
    gain_db
        Loudness of the master over that of the mix, which is taken off.
    """
    before, after = third_octaves(mix), third_octaves(master)
    tops = [max((b.level_db for b in bands if b.level_db is not None), default=0.0) for bands in (before, after)]
    half_hz = 0.5 * mix.rate_hz
    return tuple(
        BandChange(
            nominal_hz=a.nominal_hz,
            mix_db=a.level_db,
            mix_mid_db=a.mid_db,
            change_db=_less(b.level_db, a.level_db, gain_db),
            mid_change_db=_less(b.mid_db, a.mid_db, gain_db),
            side_change_db=_less(b.side_db, a.side_db, gain_db),
            # A band that half the rate cuts is left alone: its filters differ.
            heard=a.centre_hz * 10.0**0.05 < half_hz and (_heard(a, tops[0]) or _heard(b, tops[1])),
            width_change_db=_width_change(a, b, *tops),
        )
        for a, b in zip(before, after, strict=True)
    )


def measure_band_changes(mix: Samples, master: Samples, rate_hz: int, gain_db: float) -> tuple[BandChange, ...]:
    """`band_changes` of two sounds in step."""
    before, after = in_threads(partial(measure_spectrum, sound, rate_hz) for sound in (mix, master))
    return band_changes(before, after, gain_db)


def width_change_db(mix: Spectrum, master: Spectrum) -> float | None:
    """Change of side against mid over the whole spectrum in dB; None where one of them is silent in either."""
    levels = [float(part.sum()) for part in (mix.mid, mix.side, master.mid, master.side)]
    if min(levels) <= SILENCE_POWER:
        return None
    before_mid, before_side, after_mid, after_side = map(power_to_db, levels)
    return (after_side - after_mid) - (before_side - before_mid)


def regions(
    changes: Sequence[BandChange], value: Callable[[BandChange], float | None], least_db: float
) -> tuple[Region, ...]:
    """Runs of heard bands whose `value` moved the same way by `least_db` or more, lowest first."""
    runs: list[list[tuple[float, float]]] = []
    before = 0.0
    for band in changes:
        moved = value(band) if band.heard else None
        if moved is None or abs(moved) < least_db:
            before = 0.0
            continue
        if before * moved > 0.0:
            runs[-1].append((band.nominal_hz, moved))
        else:
            runs.append([(band.nominal_hz, moved)])
        before = moved
    return tuple(_region(run) for run in runs)


def _region(run: list[tuple[float, float]]) -> Region:
    most_hz, most_db = max(run, key=lambda one: abs(one[1]))
    return Region(
        low_hz=run[0][0],
        high_hz=run[-1][0],
        bands=len(run),
        mean_db=sum(db for _, db in run) / len(run),
        most_hz=most_hz,
        most_db=most_db,
    )


def _less(after_db: float | None, before_db: float | None, gain_db: float) -> float | None:
    return None if after_db is None or before_db is None else after_db - before_db - gain_db


def _heard(band: ThirdOctave, top_db: float) -> bool:
    return band.level_db is not None and band.level_db > top_db - _HEARD_DB


def _width_change(before: ThirdOctave, after: ThirdOctave, top_before: float, top_after: float) -> float | None:
    """Change of side against mid, both held within what is heard as width."""
    widths = []
    over = [-400.0 if s is None else s - t for s, t in ((before.side_db, top_before), (after.side_db, top_after))]
    if max(over) < -_SIDE_HEARD_DB:
        return None
    for band in (before, after):
        if band.mid_db is None and band.side_db is None:
            return None
        mid, side = (-400.0 if db is None else db for db in (band.mid_db, band.side_db))
        widths.append(min(_WIDTH_DB, max(-_WIDTH_DB, side - mid)))
    return widths[1] - widths[0]
