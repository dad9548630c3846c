"""Something worth saying to the engineer: what was seen, and what to do about it."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """What was seen, and what to try.

    Attributes
    ----------
    code
        What it is about, such as `target_missed`.
    text, suggestion
        For the reader.
    """

    code: str
    text: str
    suggestion: str
