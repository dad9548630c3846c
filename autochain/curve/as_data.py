"""A curve as JSON and as CSV: every figure, the same facts the same bytes."""

import csv
import io
import json
from typing import Any

from autochain.curve.monotone import TOLERANCE, not_monotone
from autochain.curve.point import Curve, Point
from autochain.curve.sheets import CurveSheets
from autochain.curve.statement import knee_of, statement
from autochain.render.normalised import normalise
from autochain.search.costs import COST_NAMES, Costs
from autochain.search.request import versions
from autochain.sheet import Sheet


def _fine(value: float | None) -> float | None:
    return None if value is None else round(float(value), 3) + 0.0


def _costs(costs: Costs, score: float) -> dict[str, float | None]:
    return {**{name: _fine(value) for name, value in costs.as_dict().items()}, "score": _fine(score)}


def _point(point: Point, sheet: Sheet, name: str) -> dict[str, Any]:
    after = point.chosen.after
    normalised = []
    if after.integrated_lufs is not None and after.true_peak_dbtp is not None:
        normalised = [
            {
                "practice": n.practice,
                "level_lufs": n.level_lufs,
                "gain_db": _fine(n.gain_db),
                "short_lu": _fine(n.short_lu),
            }
            for n in normalise(after.integrated_lufs, after.true_peak_dbtp)
        ]
    return {
        "target_lufs": point.target_lufs,
        "met": point.met,
        "by_gain_alone": point.by_gain,
        "taken_from_lufs": point.taken_from_lufs,
        "integrated_lufs": _fine(after.integrated_lufs),
        "true_peak_dbtp": _fine(after.true_peak_dbtp),
        "costs": _costs(point.chosen.costs, point.chosen.score),
        "settings": {entry.stage: entry.settings for entry in sheet.stages},
        "baselines": {
            name: {**_costs(b.costs, b.score), "met": b.met, "verified": b.verified}
            for name, b in sorted(point.baselines.items())
        },
        "normalised": normalised,
        "sheet": name,
    }


def to_json(found: CurveSheets) -> str:
    """Indented JSON with a final newline."""
    curve = found.curve
    first = curve.points[0].found
    knee = knee_of(curve)
    whole = {
        "format_version": 1,
        "mix": {"file": first.mix.file, "sha256": first.mix.sha256},
        "ceiling_dbtp": first.config.target.ceiling_dbtp,
        "said": statement(curve),
        "knee": None if knee is None else {n: v if isinstance(v, bool) else _fine(v) for n, v in knee.items()},
        "points": [_point(point, sheet, found.sheet_name(point, "json")) for point, sheet in found.points],
        "not_tried_lufs": list(curve.not_tried_lufs),
        **({"stopped": {"left_lufs": list(curve.left_lufs)}} if curve.ended else {}),
        "dents": {"tolerance": TOLERANCE, "found": curve.not_monotone_found, "left_at_lufs": not_monotone(curve)},
        "seed": first.config.search.seed,
        "versions": versions(),
    }
    return json.dumps(whole, indent=2, ensure_ascii=False) + "\n"


def to_csv(curve: Curve) -> str:
    """One row per loudness and chain, with a head; units stand in the names of the columns."""
    out = io.StringIO()
    rows = csv.writer(out, lineterminator="\n")
    numbers = ("score", *COST_NAMES)
    rows.writerow(["target_lufs", "chain", "met", "verified", "integrated_lufs", "true_peak_dbtp", *numbers])
    for point in curve.points:
        after, own = point.chosen.after, _costs(point.chosen.costs, point.chosen.score)
        heard = [_fine(after.integrated_lufs), _fine(after.true_peak_dbtp)]
        rows.writerow([point.target_lufs, "suggestion", point.met, True, *heard, *(own[n] for n in numbers)])
        for name, baseline in sorted(point.baselines.items()):
            own = _costs(baseline.costs, baseline.score)
            place = [point.target_lufs, name, baseline.met, baseline.verified, "", ""]
            rows.writerow([*place, *(own[n] for n in numbers)])
    return out.getvalue()
