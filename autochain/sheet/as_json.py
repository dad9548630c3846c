"""The sheet as JSON, and the JSON Schema it follows."""

import json

from autochain.sheet.model import Sheet


def to_json(sheet: Sheet) -> str:
    """Return the sheet as indented JSON with a final newline; the same facts give the same bytes."""
    return sheet.model_dump_json(indent=2) + "\n"


def schema_json() -> str:
    """Return the JSON Schema of the sheet; `sheet.schema.json` holds this text."""
    return json.dumps(Sheet.model_json_schema(), indent=2, sort_keys=True) + "\n"
