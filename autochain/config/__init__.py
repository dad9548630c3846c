"""What a run is asked to do: targets, search plan and weights, read from TOML."""

from autochain.config.model import Config, Coordinates, Weights
from autochain.config.read import check_target, read_config

__all__ = ["Config", "Coordinates", "Weights", "check_target", "read_config"]
