from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pytest
from joblib import Parallel

from autochain.config import read_config
from autochain.curve import beside
from autochain.curve.beside import besides
from autochain.search.costs import NOTHING
from autochain.solve.decisions import Decisions

TARGETS = (-14.0, -12.0, -11.0, -10.0, -8.0, -7.0)


def run(monkeypatch: pytest.MonkeyPatch, short_from: float = 0.0) -> dict[float, dict[str, Any]]:
    """Excerpts lose 1 dB of crest everywhere; the whole song adds 0.1 dB per LU over -14."""

    def verified(name: str, settings: object, mix: object, song: object, target: Any, *_: object) -> Any:
        costs = replace(NOTHING, crest_loss_db=1.0 + 0.1 * (target.lufs + 14.0))
        return SimpleNamespace(costs=costs, score=-1.0, met=True)

    monkeypatch.setattr(beside, "verify", verified)
    configs = [read_config(None, {"target": {"lufs": target}}) for target in TARGETS]
    trials: Any = {
        target: {
            "limiter_only": SimpleNamespace(
                costs=replace(NOTHING, crest_loss_db=1.0),
                settings={},
                loss_db=0.0,
                solution=SimpleNamespace(met=target < short_from),
            )
        }
        for target in TARGETS
    }
    search: Any = SimpleNamespace(song=None, parallel=Parallel(n_jobs=1))
    mix: Any = None
    return besides(search, mix, configs, trials, {"limiter_only": Decisions()})


def test_three_points_are_verified_and_the_rest_lies_on_lines_between_them(monkeypatch: pytest.MonkeyPatch) -> None:
    found = {target: own["limiter_only"] for target, own in run(monkeypatch).items()}
    assert [target for target, one in found.items() if one.verified] == [-14.0, -10.0, -7.0]
    for target, one in found.items():
        assert one.costs.crest_loss_db == pytest.approx(1.0 + 0.1 * (target + 14.0))
        assert one.met


def test_a_baseline_that_comes_short_is_told_so_and_not_interpolated_to(monkeypatch: pytest.MonkeyPatch) -> None:
    found = {target: own["limiter_only"] for target, own in run(monkeypatch, short_from=-9.0).items()}
    assert [target for target, one in found.items() if one.met] == [-14.0, -12.0, -11.0, -10.0]
    assert [target for target, one in found.items() if one.verified] == [-14.0, -11.0, -10.0]
