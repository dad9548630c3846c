"""How a search reports where it is."""

from collections.abc import Callable

Progress = Callable[[str, float], None]  # a phase in plain words, and its share done


def silent(phase: str, done: float) -> None:
    """Progress that nobody watches."""
