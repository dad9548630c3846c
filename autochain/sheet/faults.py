"""Figures that get a row only when one of both sides is worse than the check's limit: most mixes have no such fault."""

from collections.abc import Iterable, Mapping

# name -> (label, unit, decimals, its limit in `[check]`, whether the limit holds for the magnitude)
_FAULTS: dict[str, tuple[str, str, int, str, bool]] = {
    "channel_imbalance_db": ("left louder than right", "dB", 1, "imbalance_db", True),
    "dc_left_dbfs": ("DC offset, left", "dBFS", 0, "dc_dbfs", False),
    "dc_right_dbfs": ("DC offset, right", "dBFS", 0, "dc_dbfs", False),
    "subsonic_db": ("energy below 20 Hz, of the whole", "dB", 0, "subsonic_db", False),
}


def shown_faults(
    sides: Iterable[Mapping[str, float | None]], limits: Mapping[str, float]
) -> Iterable[tuple[str, str, str, int, bool]]:
    """Name, label, unit, decimals, and whether the sign matters, of every figure that passes its limit on any side.

    Parameters
    ----------
    sides
        Measurements by name, before and after.
    limits
        The `[check]` table of the configuration.
    """
    both = tuple(sides)
    for name, (label, unit, decimals, limit, magnitude) in _FAULTS.items():
        values = [value for side in both if (value := side[name]) is not None]
        if any((abs(value) if magnitude else value) > limits[limit] for value in values):
            yield name, label, unit, decimals, magnitude
