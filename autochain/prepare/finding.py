"""One thing worth saying about a mix before it is worked on."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """What was seen, and what to do.

    Attributes
    ----------
    code
        Kind, such as `click`; open: other parts of the preparation add their own.
    text, suggestion
        For the reader.
    value, unit
        The figure behind it; None where there is none.
    times_s
        Mix times in s, in order; empty when it holds for the whole mix.
    revisit
        Whether it sends the mix back; otherwise it is a remark.
    """

    code: str
    text: str
    suggestion: str
    value: float | None
    unit: str
    times_s: tuple[float, ...] = ()
    revisit: bool = False
