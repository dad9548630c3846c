from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from autochain.config.model import Coordinates, Target
from autochain.curve import trace as tracing
from autochain.curve.as_data import to_csv, to_json
from autochain.curve.monotone import TOLERANCE, make_monotone, not_monotone
from autochain.curve.sheets import with_sheets
from autochain.search.request import RunOptions, SearchRequest
from autochain.search.result import Suggestion, Verified
from autochain.search.run import MeasuredMix
from autochain.search.verify import Contender
from autochain.solve.decisions import Decisions
from tests.curve.conftest import TARGETS, Traced


def test_every_point_is_at_its_loudness_under_the_ceiling(traced: Traced) -> None:
    assert [p.target_lufs for p in traced.curve.points] == list(TARGETS)
    for point in traced.curve.points:
        after = point.chosen.after
        assert point.met
        assert after.integrated_lufs == pytest.approx(point.target_lufs, abs=0.1)  # what suggest promises
        assert after.true_peak_dbtp is not None
        assert after.true_peak_dbtp <= -1.0


def test_what_a_gain_reaches_is_not_searched(traced: Traced) -> None:
    first, *rest = traced.curve.points
    assert first.by_gain
    assert first.chosen.score == 0.0
    assert not any(p.by_gain for p in rest)


def test_a_louder_point_costs_no_less(traced: Traced) -> None:
    scores = [p.chosen.score for p in traced.curve.points]
    assert all(louder >= quieter - TOLERANCE for quieter, louder in pairwise(scores))
    assert not_monotone(traced.curve) == []


def test_no_point_costs_more_than_the_baselines_verified_beside_it(traced: Traced) -> None:
    # Of the first point by construction; of the others since they start from it.
    compared = [(p, b) for p in traced.curve.searched for b in p.baselines.values() if b.verified and b.met]
    # Both of the first searched point; of the louder one what gets there, which not every simple chain does.
    assert [point.target_lufs for point, _ in compared].count(TARGETS[1]) == 2
    assert len(compared) >= 3
    assert all(point.chosen.score <= beside.score + TOLERANCE for point, beside in compared)


def test_the_number_of_jobs_changes_nothing(trace_with: Callable[..., Traced]) -> None:
    """With two the louder and the quieter side of the middle are searched at the same time."""
    targets = (-11.0, -10.0, -8.0)
    one, two = (trace_with(jobs, targets) for jobs in (1, 2))
    assert to_csv(one.curve) == to_csv(two.curve)
    assert to_json(with_sheets(one.curve, "song")) == to_json(with_sheets(two.curve, "song"))


def test_a_dent_is_mended_with_the_louder_settings_driven_less(traced: Traced) -> None:
    points = list(traced.curve.points)
    dear = replace(points[1].chosen, score=points[2].chosen.score + 1.0)
    points[1] = replace(points[1], found=replace(points[1].found, chosen=dear))
    request = SearchRequest(mix=traced.mix, config=points[1].found.config)
    ready = MeasuredMix.of(request, RunOptions(jobs=2)).ready()
    mended, count = make_monotone(ready, traced.tracer._at, points)
    assert count == 1
    assert mended[1].taken_from_lufs == TARGETS[2]
    assert mended[1].met
    assert mended[1].chosen.score <= points[2].chosen.score + TOLERANCE
    less, louder = mended[1].chosen.settings, points[2].chosen.settings
    assert less["drive"]["gain_db"] < louder["drive"]["gain_db"]
    assert less.without("drive", "limiter", "output") == louder.without("drive", "limiter", "output")
    assert [p for k, p in enumerate(mended) if k != 1] == [p for k, p in enumerate(points) if k != 1]


def test_samples_of_the_points_are_not_kept(traced: Traced) -> None:
    assert all(p.found.samples.size == 0 for p in traced.curve.points)


@dataclass(frozen=True)
class ReachedHere:
    """What the curve takes of a target reached."""

    suggestion: Suggestion
    point: Coordinates | None

    def baseline_points(self) -> dict[str, Coordinates]:
        return {}


def test_louder_points_are_not_tried_once_one_is_out_of_reach(
    traced: Traced, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked = []
    by_target = {p.target_lufs: p for p in traced.curve.points}

    class Short:
        """A search that reaches nothing over -10 LUFS."""

        binding = SimpleNamespace(searched=Decisions())

        def by_gain(self, _: object) -> None: ...

        def ready(self) -> "Short":
            return self

        def run_with(self, **_: object) -> "Short":
            return self

        def reach(self, target: Target, **_: object) -> Any:
            assert target.lufs is not None
            lufs = target.lufs
            asked.append(lufs)
            found = by_target[max(t for t in by_target if t <= lufs)].found
            chosen = replace(found.chosen, met=lufs <= -10.0)
            found = replace(found, chosen=chosen, samples=np.zeros((2, 2), dtype=np.float32))
            return ReachedHere(suggestion=found, point=found.stats.coordinates)

        def verified(self, contenders: Sequence[Contender]) -> list[Verified]:
            return [traced.curve.points[-1].chosen for _ in contenders]

    monkeypatch.setattr(tracing, "MeasuredMix", SimpleNamespace(of=lambda *_: Short()))
    monkeypatch.setattr(tracing, "baselines_along", lambda *_: {})
    curve = tracing.trace(traced.mix, traced.curve.points[0].found.config, (-11.0, -10.0, -8.0, -7.0, -6.0))
    assert asked == [-8.0, -10.0, -11.0]
    assert [p.target_lufs for p in curve.reached] == [-11.0, -10.0]
    assert curve.not_tried_lufs == (-7.0, -6.0)


def test_a_sheet_of_the_curve_renders_to_its_loudness_as_libebur128_reads_it(
    traced: Traced,
    tmp_path: Path,
    command: Callable[..., object],
    libebur128: Callable[[Path], tuple[float, float]],
) -> None:
    from autochain.sheet import build_sheet
    from autochain.sheet import to_json as sheet_json

    point = traced.curve.points[-1]
    sheet = tmp_path / "song.sheet.json"
    sheet.write_text(sheet_json(build_sheet(point.found)), encoding="utf-8")
    ran = command("render", traced.path, "--sheet", sheet, "-o", tmp_path, "--no-log")
    assert ran.code == 0, ran.err  # type: ignore[attr-defined]
    lufs, dbtp = libebur128(tmp_path / "song.master.wav")
    # Silence around twenty seconds takes up to 0.05 LU from the file (docs/delivery.md, limits).
    assert lufs == pytest.approx(point.target_lufs, abs=0.15)
    assert dbtp <= -1.0
