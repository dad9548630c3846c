"""A comparison as JSON.

format_version 2: clicks and edges of cut peaks are those that the master brought in; 1: first version.
"""

import json
from dataclasses import asdict
from typing import Any

from autochain.compare.bounce import BounceVerdict
from autochain.compare.comparison import Comparison, Side
from autochain.compare.description import Description

_DECIMALS = 3


def to_json(found: Comparison, described: Description, verdict: BounceVerdict | None = None) -> str:
    """Indented JSON with a final newline, numbers to three decimals; the same facts give the same bytes."""
    return dumped(
        {
            "format_version": 2,
            "same_material": True,
            "mix": _side(found.mix),
            "master": _side(found.master),
            "plan": None if verdict is None else _verdict(verdict),
            "gain_lu": found.gain_lu,
            "compared_s": found.compared_s,
            "apart_s": found.unmatched_s,
            "rate_hz": found.rate_hz,
            "resampled": found.resampled,
            "alignment": {"delay_s": found.delay_s, **asdict(found.alignment)},
            "changed": [asdict(one) for one in described.changed],
            "unchanged": described.unchanged,
            "third_octaves": [asdict(band) for band in found.bands],
            "width_change_db": found.width_change_db,
            "static_curve": {"hz": found.curve_hz, "db": found.curve_db},
            "distortion": asdict(found.distortion),
            "onset_change_db": found.onset_change_db,
            "crest_loss_db": found.crest_loss_db,
            "movement_db": found.movement_db,
            "contrast_change_lu": found.contrast_change_lu,
            "ends": {"head": asdict(found.head), "tail": asdict(found.tail)},
            "new_clicks": [asdict(click) for click in found.new_clicks],
            "new_edges_s": found.new_edges_s,
            "loudness": {
                "at_s": found.traces.at_s.tolist(),
                "mix_lufs": found.traces.mix_lufs.tolist(),
                "master_lufs": found.traces.master_lufs.tolist(),
            },
        }
    )


def different_to_json(mix: str, master: str, reason: str) -> str:
    """What is said of two files that are no mix and master."""
    return dumped(
        {
            "format_version": 2,
            "same_material": False,
            "mix": {"file": mix},
            "master": {"file": master},
            "reason": reason,
        }
    )


def dumped(value: dict[str, Any]) -> str:
    """JSON text; signs beyond ASCII are escaped, so that a name cannot turn a terminal's lines around."""
    return json.dumps(_rounded(value), indent=2, allow_nan=False) + "\n"


def _verdict(verdict: BounceVerdict) -> dict[str, Any]:
    return {
        "sheet": verdict.sheet,
        "same_mix": verdict.same_mix,
        "target": verdict.target.model_dump(),
        "loudness_lufs": verdict.loudness_lufs,
        "true_peak_dbtp": verdict.true_peak_dbtp,
        "reached": verdict.reached,
        "loud_enough": verdict.loud_enough,
        "under_ceiling": verdict.under_ceiling,
        "on_tools": verdict.on_tools,
        "advice": [asdict(one) for one in verdict.advice],
        "figures": verdict.planned.master.figures.as_dict(),
        "third_octaves": [asdict(band) for band in verdict.planned.bands],
        "distortion": asdict(verdict.planned.distortion),
        "onset_change_db": verdict.planned.onset_change_db,
        "crest_loss_db": verdict.planned.crest_loss_db,
        "movement_db": verdict.planned.movement_db,
        "width_change_db": verdict.planned.width_change_db,
    }


def _side(side: Side) -> dict[str, Any]:
    return {
        "file": side.file,
        "sha256": side.sha256,
        "rate_hz": side.rate_hz,
        "channels": side.channels,
        "duration_s": side.duration_s,
        "subtype": side.subtype,
        "figures": side.figures.as_dict(),
    }


def _rounded(value: Any) -> Any:
    if isinstance(value, float):
        return round(value, _DECIMALS) + 0.0
    if isinstance(value, dict):
        return {key: _rounded(own) for key, own in value.items()}
    if isinstance(value, list | tuple):
        return [_rounded(own) for own in value]
    return value
