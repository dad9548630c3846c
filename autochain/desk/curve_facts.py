"""The loudness curve as plain facts, while it is found and from the file that `curve` leaves."""

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from autochain.curve.point import Curve, Point
from autochain.curve.statement import knee_of, statement
from autochain.desk.facts import CurveFacts, CurvePoint
from autochain.search.baselines import LIMITER_ONLY, TRADE_DEFAULT


def of_points(points: Sequence[Point], targets_lufs: Sequence[float], ceiling_dbtp: float) -> CurveFacts:
    """As far as it is found: a place for every loudness that is looked for."""
    known = {point.target_lufs: _point(point) for point in points}
    own = [known.get(lufs, CurvePoint(lufs=lufs)) for lufs in sorted({*targets_lufs, *known})]
    return CurveFacts(points=tuple(own), complete=False, running=True, ceiling_dbtp=ceiling_dbtp)


def of_curve(curve: Curve) -> CurveFacts:
    """What was written of it; one that was stopped has places without a score."""
    knee = knee_of(curve)
    missed = [CurvePoint(lufs=lufs, met=False, words="out of reach") for lufs in curve.not_tried_lufs]
    left = [CurvePoint(lufs=lufs) for lufs in curve.left_lufs]
    points = sorted([*map(_point, curve.points), *missed, *left], key=lambda one: one.lufs)
    return CurveFacts(
        points=tuple(points),
        complete=not curve.left_lufs,
        ceiling_dbtp=curve.points[0].found.config.target.ceiling_dbtp,
        knee_lufs=knee["lufs"] if knee is not None and knee["corner"] else None,
        statement=tuple(statement(curve)),
    )


def of_file(path: Path) -> CurveFacts | None:
    """What `curve` has written; None where that cannot be read: it is found again."""
    try:
        said: Mapping[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        points = [_read(point) for point in said["points"]]
        points += [CurvePoint(lufs=float(lufs), met=False, words="out of reach") for lufs in said["not_tried_lufs"]]
        left = [float(lufs) for lufs in said.get("stopped", {}).get("left_lufs", [])]
        points += [CurvePoint(lufs=lufs) for lufs in left]
        knee = said["knee"]
        return CurveFacts(
            points=tuple(sorted(points, key=lambda one: one.lufs)),
            complete=not left,
            ceiling_dbtp=float(said["ceiling_dbtp"]),
            knee_lufs=float(knee["lufs"]) if knee is not None and knee["corner"] else None,
            statement=tuple(map(str, said["said"])),
        )
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return None


def _point(point: Point) -> CurvePoint:
    words = "gain alone" if point.by_gain else "as a louder one, with less drive" if point.taken_from_lufs else ""
    return CurvePoint(
        lufs=point.target_lufs,
        score=point.chosen.score if point.met else None,
        met=point.met,
        limiter_score=_baseline(point, LIMITER_ONLY),
        trade_score=_baseline(point, TRADE_DEFAULT),
        words=words if point.met else "out of reach",
    )


def _baseline(point: Point, name: str) -> float | None:
    found = point.baselines.get(name)
    return found.score if found is not None and found.met else None


def _read(said: Mapping[str, Any]) -> CurvePoint:
    met, baselines = bool(said["met"]), said["baselines"]

    def score_of(name: str) -> float | None:
        found = baselines.get(name)
        return float(found["score"]) if found is not None and found["met"] else None

    return CurvePoint(
        lufs=float(said["target_lufs"]),
        score=float(said["costs"]["score"]) if met else None,
        met=met,
        limiter_score=score_of(LIMITER_ONLY),
        trade_score=score_of(TRADE_DEFAULT),
        words="" if met else "out of reach",
    )
