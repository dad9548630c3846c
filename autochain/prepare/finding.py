"""One thing worth saying about a mix before it is worked on."""

from dataclasses import dataclass
from typing import Literal

from autochain.note import Note

Certainty = Literal["certain", "likely", "doubtful"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding(Note):
    """A note on a mix: how far it is over what is usual, how sure that is; `code` is its kind, such as `click`.

    Attributes
    ----------
    value, unit
        The figure behind it; None where there is none.
    usual
        Where the usual ends, in the same unit; None where there is no such figure.
    times_s
        Mix times in s, in order; empty when it holds for the whole mix.
    channels
        Where it is: `both`, `left`, `right`, `mid` or `side`; of several places, where they all are.
    freq_hz, q
        Middle and width of the range it lies in; None for what has none.
    certainty
        How sure it is that this is a fault and no music. Only what is certain sends a mix back.
    sends_back
        Whether it sends the mix back; otherwise it is a remark.

    Raises
    ------
    ValueError
        For a doubt that sends a mix back.
    """

    value: float | None
    unit: str
    usual: float | None = None
    times_s: tuple[float, ...] = ()
    channels: str = "both"
    freq_hz: float | None = None
    q: float | None = None
    certainty: Certainty = "certain"
    sends_back: bool = False

    def __post_init__(self) -> None:
        if self.sends_back and self.certainty != "certain":
            raise ValueError(f"{self.code}: a finding that is {self.certainty} cannot send a mix back")
