from collections.abc import Sequence
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pytest

from autochain.config import read_config
from autochain.curve.baselines import baselines_along
from autochain.search.costs import NO_COSTS
from autochain.search.verify import Contender
from autochain.solve.decisions import Decisions

TARGETS = (-14.0, -12.0, -11.0, -10.0, -8.0, -7.0)


def run(short_from: float = 0.0) -> dict[float, dict[str, Any]]:
    """Excerpts lose 1 dB of crest everywhere; the whole song adds 0.1 dB per LU over -14."""

    def verified(contenders: Sequence[Contender]) -> list[Any]:
        costs = [replace(NO_COSTS, crest_loss_db=1.0 + 0.1 * (c.target.loudness_lufs + 14.0)) for c in contenders]
        return [SimpleNamespace(costs=own, score=-1.0, met=True) for own in costs]

    config = read_config(None, {"target": {"lufs": -10.0}})
    trials: Any = {
        target: {
            "limiter_only": SimpleNamespace(
                costs=replace(NO_COSTS, crest_loss_db=1.0),
                settings={},
                loss_db=0.0,
                solution=SimpleNamespace(met=target < short_from, slope=0.7, drive_db=0.0),
            )
        }
        for target in TARGETS
    }
    ready: Any = SimpleNamespace(
        measured=SimpleNamespace(request=SimpleNamespace(config=config)),
        binding=SimpleNamespace(of_family=lambda name: Decisions()),
        verified=verified,
    )
    return baselines_along(ready, [config.target.model_copy(update={"lufs": target}) for target in TARGETS], trials)


def test_three_points_are_verified_and_the_rest_lies_on_lines_between_them() -> None:
    found = {target: own["limiter_only"] for target, own in run().items()}
    assert [target for target, one in found.items() if one.verified] == [-14.0, -10.0, -7.0]
    for target, one in found.items():
        assert one.costs.crest_loss_db == pytest.approx(1.0 + 0.1 * (target + 14.0))
        assert one.met


def test_a_baseline_that_comes_short_is_told_so_and_not_interpolated_to() -> None:
    found = {target: own["limiter_only"] for target, own in run(short_from=-9.0).items()}
    assert [target for target, one in found.items() if one.met] == [-14.0, -12.0, -11.0, -10.0]
    assert [target for target, one in found.items() if one.verified] == [-14.0, -11.0, -10.0]
