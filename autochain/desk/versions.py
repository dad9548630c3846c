"""What can be heard of a song."""

from dataclasses import asdict, dataclass
from typing import Any

MIX, HAND = "mix", "hand"
POINT = "point."  # before the loudness of a point of the curve
DELIVERED = "delivered"  # nothing to be heard by itself: the sheet of the files that went out
LIMITER_ALONE, TRADE, BEST = "limiter_alone", "trade_default", "best"


@dataclass(frozen=True, slots=True, kw_only=True)
class SongVersion:
    """One version of the song.

    Attributes
    ----------
    key
        What the page asks for it by.
    name
        What it is called.
    revision
        Counts up whenever its sound becomes another.
    lufs
        Integrated loudness; None where it is not known yet.
    gain_db
        Makes it as loud as the quietest of all.
    exact
        False for an estimate: the whole song has not been verified.
    score
        What it costs; None where that is not known.
    settable
        Whether its settings are known, so that they can be taken under the hand.
    """

    key: str
    name: str
    revision: int
    lufs: float | None
    gain_db: float
    exact: bool
    score: float | None = None
    settable: bool = False

    def plain(self) -> dict[str, Any]:
        """As JSON has it."""
        return asdict(self)


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """A place of the song with the settings under the hand, solved: what the page fetches next."""

    start_s: float
    stop_s: float
    revision: int
    gain_db: float

    def plain(self) -> dict[str, Any]:
        """As JSON has it."""
        return asdict(self)
