"""Common settings: the stages and times that all tracks of an album may share, and what differs between tracks."""

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from statistics import median

from autochain.chain.chain import STAGES, ChainPlan
from autochain.chain.settings import ChainSettings, StageName, Value
from autochain.config import Config
from autochain.config.coordinates import BY_LEVEL, SET, STAGES_MOVED, SWITCHING
from autochain.config.model import Coordinates
from autochain.earlier.around import Around, stay_near
from autochain.earlier.sheet import EarlierSheet
from autochain.solve.decisions import Decisions

# A track with the common times has three shares and its drive left to find: it needs no explorer, and starts from
# what it had. Baselines take 31 of these trials in the default configuration.
_BUDGET_SHARE = 0.3
_REACH = 0.5  # of each range to either side of the shares it had


def common_settings(tracks: Sequence[ChainSettings], chain: ChainPlan) -> ChainSettings:
    """Medians of the settings that tracks were given by themselves.

    A stage is in when it is in half of the tracks or more; its times, softness and the like are the medians over the
    tracks that have it (times on a log scale), at steps a hand can set. Half and median: common practice, no source.
    """
    common = ChainSettings()
    for stage in STAGES_MOVED:
        own = [track[stage] for track in tracks if stage in track]
        if own and 2 * len(own) >= len(tracks):
            names = [c.parameter for c in SET if c.stage == stage]
            medians = {name: _median([values[name] for values in own], chain, stage, name) for name in names}
            common = common.with_(stage, medians)
    return common


def _median(values: Sequence[float], chain: ChainPlan, stage: StageName, name: str) -> float:
    parameter = chain.stages[stage].parameter(name)
    if parameter.scale == "log":
        return parameter.rounded(math.exp(median(map(math.log, values))))
    return parameter.rounded(median(values))


def has_common(settings: ChainSettings, common: ChainSettings) -> bool:
    """Whether a track has exactly the common stages and their values."""
    return settings.holds(common) and all((stage in settings) == (stage in common) for stage in STAGES_MOVED)


@dataclass(frozen=True, slots=True, kw_only=True)
class Differences:
    """How many knobs are set differently from most tracks, summed over an album: what a hand sets anew.

    For each knob, `stage.parameter`, it is the number of tracks that have the stage and have another value than
    the most frequent one; being in or out is a knob of each stage too.

    Attributes
    ----------
    common
        In or out, times, softness, amount of the stages that the search puts in: what common settings hold.
    by_level
        Drive, thresholds, peak ceilings, trim: what follows from how loud each mix is.
    by_mix
        Everything else: equalisers, dynamic bell, rotation, fades, which mend what is in the mix.
    """

    common: int
    by_level: int
    by_mix: int

    @property
    def all(self) -> int:
        """Sum of the three."""
        return self.common + self.by_level + self.by_mix


def differences(tracks: Sequence[ChainSettings]) -> Differences:
    """Count the knobs that differ between the settings of tracks."""
    common = by_level = by_mix = 0
    for stage in STAGES:
        own = [track[stage] for track in tracks if stage in track]
        switched = min(len(own), len(tracks) - len(own))
        common, by_mix = (common + switched, by_mix) if stage in STAGES_MOVED else (common, by_mix + switched)
        for name in dict.fromkeys(name for values in own for name in values):
            count = _differing(values.value(name) if name in values else None for values in own)
            if (stage, name) in BY_LEVEL:
                by_level += count
            elif stage in STAGES_MOVED:
                common += count
            else:
                by_mix += count
    return Differences(common=common, by_level=by_level, by_mix=by_mix)


def _differing(values: Iterable[Value | None]) -> int:
    counts = Counter(values)
    return counts.total() - max(counts.values(), default=0)


@dataclass(frozen=True, slots=True, kw_only=True)
class SecondSearch:
    """What a track's second search starts from: its own sheet, and the common settings that it holds."""

    sheet: EarlierSheet
    common: ChainSettings

    def asked(self, decisions: Decisions, plan: Config) -> tuple[Decisions, Config, Around]:
        """Decisions, configuration and start of the second search.

        Held are the common settings, with everything the track's own sheet has outside of the common stages. It is no
        decision of the engineer's, so that the baselines to compare with keep their own settings.
        """
        decided, rest = stay_near(self.sheet, decisions, plan)
        held = rest.held.without(*STAGES_MOVED) | rest.held.only(self.common) | self.common
        out = frozenset(stage for stage in STAGES_MOVED if stage not in self.common)
        left_out = (rest.left_out - {*self.common}) | out
        shorter = plan.search.model_copy(
            update={"budget": max(2, round(_BUDGET_SHARE * plan.search.budget)), "around_share": _REACH}
        )
        near = replace(rest, start=_start(rest.start, self.common), held=held, left_out=left_out, binding=True)
        return decided, plan.model_copy(update={"search": shorter}), near


def _start(point: Coordinates, common: ChainSettings) -> Coordinates:
    """The track's own point at the common values; a stage that it did not have begins with next to nothing."""
    values = {c.name: common[c.stage][c.parameter] for c in SET if c.stage in common}
    shares = {
        c.name: max(getattr(point, c.name), c.off_below or 0.0) if c.stage in common else 0.0 for c in SWITCHING
    }
    return point.model_copy(update={**shares, **values})
