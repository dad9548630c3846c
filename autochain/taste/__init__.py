"""What an engineer chooses blind, kept in a file of the user's, and what it tells of the weights of the score."""

from autochain.taste.choices import BlindChoice, BlindCosts, BlindVersion, Choices, add_choice, read_choices
from autochain.taste.told import Told, WeightInterval, told

__all__ = [
    "BlindChoice",
    "BlindCosts",
    "BlindVersion",
    "Choices",
    "Told",
    "WeightInterval",
    "add_choice",
    "read_choices",
    "told",
]
