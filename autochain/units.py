"""Conversions between units, and the only place where numbers become text."""

import math

# Below this the logarithm of a level says nothing: -200 dB is far under the float32 noise floor.
FLOOR_DB = -200.0


def db_to_linear(db: float) -> float:
    """Amplitude ratio of a level difference in dB; inverse of `linear_to_db`."""
    return float(10.0 ** (db / 20.0))


def linear_to_db(ratio: float) -> float:
    """Level in dB of an amplitude ratio >= 0, not below -200 dB; inverse of `db_to_linear`."""
    return max(FLOOR_DB, 20.0 * math.log10(ratio)) if ratio > 0.0 else FLOOR_DB


def power_to_db(power: float) -> float:
    """Level in dB of a power ratio >= 0, not below -200 dB."""
    return max(FLOOR_DB, 10.0 * math.log10(power)) if power > 0.0 else FLOOR_DB


def ms_to_samples(ms: float, rate_hz: float) -> int:
    """Whole samples nearest to a duration in ms."""
    return round(ms * 1e-3 * rate_hz)


def clock(seconds: float) -> str:
    """Mix time as the engineer reads it: `2:13.4`, minutes and seconds with one decimal."""
    tenths = round(seconds * 10.0)
    minutes, rest = divmod(tenths, 600)
    return f"{minutes}:{rest // 10:02d}.{rest % 10}"


def number(value: float | None, unit: str = "", decimals: int = 1, signed: bool = False) -> str:
    """Text of a value with its unit; `–` where no value exists."""
    if value is None:
        return "–"
    text = f"{value:+.{decimals}f}" if signed else f"{value:.{decimals}f}"
    if float(text) == 0.0:  # no minus zero on a sheet
        text = text.replace("-", "+") if signed else text.replace("-", "")
    return f"{text} {unit}" if unit else text


def frequency(hz: float) -> str:
    """Text of a frequency as it is spoken: `63 Hz`, `31.5 Hz`, `6.3 kHz`."""
    return f"{hz:g} Hz" if hz < 1000.0 else f"{hz / 1000.0:g} kHz"


def frequency_mark(hz: float) -> str:
    """Text of a frequency along an axis in Hz, where room is short: `63`, `31.5`, `1k`, `6.3k`."""
    return f"{hz:g}" if hz < 1000.0 else f"{hz / 1000.0:g}k"
