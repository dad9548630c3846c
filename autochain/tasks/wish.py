"""What every search may be told, and what it comes to: a configuration and the engineer's decisions."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from autochain.config import Config, read_config
from autochain.config.model import Learned, Target
from autochain.errors import UsageError
from autochain.solve.decisions import Decisions, parse_decisions
from autochain.tasks.caller import Caller

if TYPE_CHECKING:
    from autochain.tool.tool import Tool


def tell_of_taste(config: Config, caller: Caller) -> None:
    """Say what the weights were learned from before the long work begins."""
    if config.learned is not None:
        caller.tell(f"taste: {' '.join(config.learned.sentences)}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """What may be wished of any search; None takes what the configuration says.

    Attributes
    ----------
    ceiling_dbtp
        Highest true peak, -20 to 0 dBTP.
    lock
        Settings decided by ear, each `stage.parameter=value`.
    without
        Stages to leave out.
    budget
        Trials, baselines included, 2 or more.
    seed
        0 to 4294967295; one seed gives one sheet.
    jobs
        How much is done at the same time, -1 for all cores; changes only time.
    config
        TOML over the packaged defaults.
    tools
        Files of the user's own processors, as `tool read` writes them: the search keeps to what they can do. They
        take the place of those that the configuration names.
    taste
        File of blind choices (`taste.choices`), from which the weights of the score are learned.
    force
        Replace results that exist; never a source.
    """

    ceiling_dbtp: float | None = None
    lock: Sequence[str] = ()
    without: Sequence[str] = ()
    budget: int | None = None
    seed: int | None = None
    jobs: int = -1
    config: Path | None = None
    tools: Sequence[Path] = ()
    taste: Path | None = None
    force: bool = False

    def settled(
        self, lufs: float | None, loudest_part_lufs: float | None = None, earlier: Target | None = None
    ) -> tuple[Config, Decisions]:
        """Configuration and decisions for a target in LUFS; what is left open of it an earlier sheet gives.

        Raises
        ------
        ConfigError, TargetError, ParameterError, UsageError
            For what is out of range, unknown or contradictory.
        """
        if self.jobs == 0 or self.jobs < -1:
            raise UsageError(f"--jobs {self.jobs} is not possible. Choose 1 or more, or -1 for all cores.")
        if lufs is not None and loudest_part_lufs is not None:
            raise UsageError(
                f"--lufs {lufs:g} and --loudest-part {loudest_part_lufs:g} are two targets, and a master has one. "
                f"Drop one of them."
            )
        ceiling_dbtp = self.ceiling_dbtp
        if earlier is not None:
            ceiling_dbtp = earlier.ceiling_dbtp if ceiling_dbtp is None else ceiling_dbtp
            if lufs is None and loudest_part_lufs is None:
                lufs, loudest_part_lufs = earlier.lufs, earlier.loudest_part_lufs
        asked: dict[str, dict[str, Any]] = {
            "target": {"lufs": lufs, "loudest_part_lufs": loudest_part_lufs, "ceiling_dbtp": ceiling_dbtp},
            "search": {"seed": self.seed, "budget": self.budget},
        }
        given = {table: {key: v for key, v in own.items() if v is not None} for table, own in asked.items()}
        config = read_config(self.config, given)
        if self.taste is not None:
            given |= self._learned(self.taste, config)
            config = read_config(self.config, given)
        tools = self.own_tools(config)
        if tools:
            from autochain.search.tool_limits import limits, tools_by_stage

            config = read_config(self.config, {**given, "chain": limits(tools_by_stage(tools), config)})
        return config, parse_decisions(list(self.lock), list(self.without), config.chain_plan)

    def _learned(self, taste: Path, config: Config) -> dict[str, Any]:
        """The part of a configuration that choices give; ChoicesError for a file that cannot hold."""
        from autochain.taste import read_choices, told  # a fit and its splines are loaded where there are choices
        from autochain.taste.told import default_weights

        if config.weights != default_weights():
            of = "the configuration" if self.config is None else self.config.name
            raise UsageError(
                f"--taste {taste} and [weights] in {of} both set the weights, and a search has one set of them. "
                "Drop one."
            )
        kept = read_choices(taste)
        found = told(kept.choices)
        learned = Learned(
            choices=found.count, sha256=kept.sha256, told=bool(found.costs), sentences=found.sentences
        )
        return {"weights": found.weights.model_dump(), "learned": learned.model_dump()}

    def own_tools(self, config: Config) -> "tuple[Tool, ...]":
        """The user's own processors, those named or else the configuration's; ToolError for a file that cannot hold."""
        paths = self.tools or [Path(one) for one in config.tools.files]
        if not paths:
            return ()
        from autochain.tool.tool import tool_of_file  # what fits and draws is loaded where there is a tool

        return tuple(tool_of_file(path) for path in paths)
