"""Demo mixes, synthesised from an invented scenario: five characters of finished stereo mix."""

from typing import Any

from autochain.demo.scenario import DemoSong, Scenario, SongSection, demo_song, read_scenario

CHARACTERS: tuple[str, ...] = tuple(read_scenario().songs)

__all__ = ["CHARACTERS", "DemoSong", "Scenario", "SongSection", "demo_song", "make_demo", "read_scenario"]


def __getattr__(name: str) -> Any:
    # The instruments load half of scipy; who only asks for a sheet need not wait for them.
    if name == "make_demo":
        from autochain.demo.synth import make_demo

        return make_demo
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
