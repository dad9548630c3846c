"""A delivery as JSON, and its table as CSV for spreadsheets.

format_version 1: first version. `second_meter` of a file and its two columns, and `on_tools`, came later and changed
nothing before.
"""

import csv
import io
import json
from dataclasses import asdict
from typing import Any

from autochain.render.delivery import Delivered, Delivery
from autochain.render.second_meter import meter_name
from autochain.units import number

FORMAT_VERSION = 1
_FORMULA = ("=", "+", "-", "@", "\t", "\r")  # what a spreadsheet takes for the start of a formula


def to_json(delivery: Delivery) -> str:
    """Everything as JSON, ending with a newline."""
    target = delivery.sheet.target
    values = {
        "format_version": FORMAT_VERSION,
        "mix": {"file": delivery.mix.file, "sha256": delivery.mix.sha256},
        "sheet": {"file": delivery.sheet.file, "sha256": delivery.sheet.sha256, "changed": list(delivery.changed)},
        "target": target.model_dump(mode="json"),
        "reached_lufs": delivery.master.lufs,
        "target_met_after_solving": delivery.met,
        "trim_lowered_db": delivery.master.lowered_db,
        "settings": delivery.master.settings.plain(),
        "on_tools": _on_tools(delivery),
        "other_rates": [asdict(one) for one in delivery.rates],
        "files": [_file(file) for file in delivery.files],
        "versions": [asdict(version) for version in delivery.versions],
        "after_coders": [
            {
                "coder": one.export.kind.name,
                "setting": one.export.setting,
                "rate_hz": one.export.rate_hz,
                "kbps": one.kbps,
                "true_peak_dbtp": one.true_peak_dbtp,
                "clipped_samples": one.clipped,
                "ceiling_dbtp": one.ceiling_dbtp,
            }
            for one in delivery.headroom
        ],
        "after_normalisation": [asdict(one) for one in delivery.normalised],
    }
    return json.dumps(values, indent=2, ensure_ascii=False) + "\n"


def to_csv(delivery: Delivery) -> str:
    """The table of files; cells that a spreadsheet would run as a formula begin with an apostrophe."""
    text = io.StringIO()
    rows = csv.writer(text, lineterminator="\r\n")  # RFC 4180
    rows.writerow(
        ["file", "version", "format", "rate_hz", "channels", "duration_s", "integrated_lufs", "max_short_term_lufs",
         "max_momentary_lufs", "loudness_range_lu", "plr_db", "true_peak_dbtp",
         "true_peak_annex2_dbtp", "true_peak_sinc49_dbtp", "true_peak_x16_dbtp", "clipped_samples", "size_bytes",
         "sha256", "second_meter_lufs", "second_meter_less_own_lu"]
    )  # fmt: skip
    for file in delivery.files:
        figures, reading = file.reading.figures, file.reading
        cells = (file.file, file.version, file.export.label)
        numbers = (
            figures.integrated_lufs, figures.max_short_term_lufs, figures.max_momentary_lufs,
            figures.loudness_range_lu, figures.plr_db, figures.true_peak_dbtp,
            figures.true_peak_annex2_dbtp, figures.true_peak_sinc49_dbtp, figures.true_peak_x16_dbtp,
        )  # fmt: skip
        rows.writerow(
            [
                *map(_harmless, cells), reading.rate_hz, reading.channels, number(reading.duration_s, decimals=3),
                *map(_cell, numbers), reading.clipped, reading.size_bytes, reading.sha256,
                _cell(reading.second_lufs), _cell(reading.meters_apart_lu),
            ]
        )  # fmt: skip
    return text.getvalue()


def _on_tools(delivery: Delivery) -> list[dict[str, Any]] | None:
    """Stages that went through the user's own tools; None where none was asked to."""
    if delivery.on_tools is None:
        return None
    return [
        {"stage": stage, "tool": one.tool.name, "tool_sha256": one.tool.sha256, "around_db": one.around_db,
         "knobs": [{one.tool.knobs[role].word: at for role, at in own.items()} for own in one.positions]}
        for stage, one in delivery.on_tools.placed.items()
    ]  # fmt: skip


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 3) + 0.0


def _cell(value: float | None) -> str:
    return "" if value is None else number(value, decimals=2)


def _harmless(text: str) -> str:
    text = "".join(c if c.isprintable() else f"\\u{ord(c):04x}" for c in text)
    return f"'{text}" if text.lstrip().startswith(_FORMULA) else text


def _file(file: Delivered) -> dict[str, Any]:
    reading = file.reading
    return {
        "file": file.file,
        "version": file.version,
        "kind": file.export.kind.name,
        "setting": file.export.setting,
        "bits": file.export.kind.bits,
        "rate_hz": reading.rate_hz,
        "channels": reading.channels,
        "duration_s": reading.duration_s,
        "size_bytes": reading.size_bytes,
        "sha256": reading.sha256,
        "clipped_samples": reading.clipped,
        "figures": reading.figures.as_dict(),
        "second_meter": {
            "name": meter_name(),
            "integrated_lufs": _rounded(reading.second_lufs),
            "less_own_lu": _rounded(reading.meters_apart_lu),
        },
    }
