"""The balance of a track in five broad ranges: how bright it is beside the others, and what the master did to it."""

from collections.abc import Mapping, Sequence
from statistics import mean

from autochain.log.history import RANGES
from autochain.measure.band_changes import BandChange
from autochain.units import power_to_db

_DARK, _BRIGHT = ("bass", "low mids"), ("presence", "top")


def balance_db(thirds: Sequence[BandChange]) -> dict[str, float]:
    """Level of each range of the master in dB of its whole; a range that holds nothing is left out."""
    powers = {
        band.nominal_hz: 10.0 ** ((band.mix_db + band.change_db) / 10.0)
        for band in thirds
        if band.mix_db is not None and band.change_db is not None
    }
    whole = sum(powers.values())
    sums = {name: sum(p for hz, p in powers.items() if low <= hz <= high) for name, low, high in RANGES}
    return {name: power_to_db(own / whole) for name, own in sums.items() if own > 0.0}


def change_db(thirds: Sequence[BandChange]) -> dict[str, float]:
    """Mean change of the bands of each range that are heard, at equal loudness; what is not heard is left out."""
    known = {band.nominal_hz: band.change_db for band in thirds if band.heard and band.change_db is not None}
    inside = {name: [db for hz, db in known.items() if low <= hz <= high] for name, low, high in RANGES}
    return {name: mean(own) for name, own in inside.items() if own}


def tilt_db(balance: Mapping[str, float]) -> float | None:
    """Bright against dark: the mean of presence and top less that of bass and low mids; None where one is empty."""
    if not all(name in balance for name in (*_DARK, *_BRIGHT)):
        return None
    return mean(balance[name] for name in _BRIGHT) - mean(balance[name] for name in _DARK)
