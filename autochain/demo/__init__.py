"""Demo mixes, synthesised from an invented scenario: five characters of finished stereo mix."""

from autochain.demo.scenario import DemoSong, Scenario, Section, demo_song, read_scenario
from autochain.demo.synth import CHARACTERS, make_demo

__all__ = ["CHARACTERS", "DemoSong", "Scenario", "Section", "demo_song", "make_demo", "read_scenario"]
