"""How a long job reports where it is, and how it is asked to end."""

from collections.abc import Callable

Progress = Callable[[str, float], None]  # a phase in plain words, and its share done
Stop = Callable[[], bool]  # whether it is to end with the best so far


def silent(phase: str, done: float) -> None:
    """Progress that nobody watches."""
