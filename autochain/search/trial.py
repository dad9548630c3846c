"""What a trial is: a point, its chain at the solved drive, and its price."""

from dataclasses import dataclass
from typing import Annotated

from pydantic import PlainSerializer, PlainValidator

from autochain.chain.settings import ChainSettings
from autochain.config.model import Coordinates
from autochain.search.costs import Costs
from autochain.solve.drive import Solution

# In a journal by stage and parameter.
StoredSettings = Annotated[
    ChainSettings, PlainValidator(ChainSettings.from_plain), PlainSerializer(ChainSettings.plain)
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """A priced point.

    Attributes
    ----------
    coordinates
        Where the sampler stood; None for fixed settings.
    settings
        Complete chain settings, drive included.
    solution
        How the drive was found and what loudness it gave.
    costs, score
        Costs of that render and their weighted sum (with the penalty when out of reach).
    loss_db
        Drive beyond what gain alone would have needed: loudness given up to the peak stages.
    early_work_db
        What the compressors and the clipper take in the loud parts.
    first_score, first_loss_db
        The same on the first excerpt alone, where that was judged.
    pruned
        True when it was judged on the first excerpt alone: the costs are of that, score and loss are estimates.
    """

    coordinates: Coordinates | None
    settings: StoredSettings
    solution: Solution
    costs: Costs
    score: float
    loss_db: float
    early_work_db: float
    first_score: float | None = None
    first_loss_db: float | None = None
    pruned: bool = False
