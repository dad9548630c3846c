"""One thing that changed, as a sentence with its figure."""

from dataclasses import dataclass

# Turned over or swapped channels and missing sound are told before matters of degree; what is hardly heard, last.
PLAIN_FAULT = 20.0
HARDLY_HEARD = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """One thing that changed.

    Attributes
    ----------
    kind
        What it is about; a key of `account.UNCHANGED`.
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
