"""The published schema is the model's, and every kind of sheet follows it."""

import json
from pathlib import Path

import pytest
from pydantic import ValidationError

import autochain.sheet
from autochain.sheet import Sheet, to_json
from autochain.sheet.as_json import schema_json

PUBLISHED = Path(autochain.sheet.__file__).parent / "sheet.schema.json"


def test_the_published_schema_is_that_of_the_model():
    assert PUBLISHED.read_text(encoding="utf-8") == schema_json()


def test_a_sheet_read_back_is_the_same_sheet_byte_for_byte(demo_run):
    text = (demo_run("sparse_acoustic").preview.parent / "sparse_acoustic.sheet.json").read_text(encoding="utf-8")
    assert to_json(Sheet.model_validate_json(text)) == text


def test_no_figure_of_a_sheet_is_unknown_to_the_schema_or_missing_from_it(demo_run):
    schema = json.loads(PUBLISHED.read_text(encoding="utf-8"))
    checked = 0

    def follow(value, rule):
        nonlocal checked
        options = rule.get("anyOf", [rule])
        if value is not None and len(references := [option for option in options if "$ref" in option]) == 1:
            rule = references[0]
        if "$ref" in rule:
            rule = schema["$defs"][rule["$ref"].rsplit("/", 1)[1]]
        if isinstance(value, dict) and "properties" in rule:
            assert rule["additionalProperties"] is False
            assert set(value) == set(rule["properties"]) == set(rule["required"])
            for key, inner in value.items():
                follow(inner, rule["properties"][key])
        elif isinstance(value, dict):
            for inner in value.values():
                follow(inner, rule["additionalProperties"])
        elif isinstance(value, list):
            for inner in value:
                follow(inner, rule["items"])
        else:
            kinds = [option["type"] for option in options if "type" in option]
            names = {bool: "boolean", str: "string", int: "integer", float: "number", type(None): "null"}
            name = names[type(value)]
            assert name in kinds or (name == "integer" and "number" in kinds), (value, rule)
            checked += 1

    follow(demo_run("sparse_acoustic").sheet, schema)
    assert checked > 100


@pytest.mark.parametrize(
    ("path", "value"),
    [(("target", "lufs"), "loud"), (("format_version",), 2), (("mix", "folder"), "/home"), (("met",), None)],
)
def test_the_model_refuses_what_is_not_a_sheet(demo_run, path, value):
    sheet = json.loads(json.dumps(demo_run("sparse_acoustic").sheet))
    at = sheet
    for key in path[:-1]:
        at = at[key]
    at[path[-1]] = value
    with pytest.raises(ValidationError, match=path[-1]):
        Sheet.model_validate(sheet)
