"""Hundreds of hostile files: each is taken and right, or refused in words that name it."""

import json
import tomllib
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from random import Random
from typing import Any

import pytest

from autochain.resources import resource
from tests.hostile.bounces import bounces_became
from tests.hostile.documents import hostile_configuration, hostile_list, hostile_sheet, hostile_tool, whole_tools
from tests.hostile.outcomes import (
    REFUSED,
    RIGHT,
    outcome,
    take_configuration,
    take_list,
    take_sheet,
    take_sound,
    take_tool,
)
from tests.hostile.requests import HostileDesk
from tests.hostile.sounds import KINDS, hostile_sound, whole

STORED = Path(__file__).parent / "sheet.json"


@pytest.fixture(scope="module")
def sheet() -> dict[str, Any]:
    """A whole sheet, stored."""
    read: dict[str, Any] = json.loads(STORED.read_text(encoding="utf-8"))
    return read


def became(cases: int, make: Callable[[Random], Path], take: Callable[[Path], str | None]) -> Counter[str]:
    """Outcomes of so many cases."""
    found: Counter[str] = Counter()
    for seed in range(cases):
        path = make(Random(seed))
        found[outcome(take, path)] += 1
        path.unlink()
    return found


def only_right_or_refused(found: Counter[str]) -> None:
    assert set(found) <= {RIGHT, REFUSED}, found.most_common()
    assert found[REFUSED] > 0.2 * found.total()  # else the cases are not hostile


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: f"{kind[1]}-{kind[2]}")
def test_the_whole_file_that_each_case_starts_from_is_taken(tmp_path: Path, kind: tuple[str, str, str, int]) -> None:
    path = tmp_path / f"whole.{kind[0]}"
    path.write_bytes(whole(kind))
    assert outcome(take_sound, path) == RIGHT


def test_sounds(tmp_path: Path) -> None:
    def make(chance: Random) -> Path:
        suffix, data, _ = hostile_sound(chance)
        path = tmp_path / f"hostile.{suffix}"
        path.write_bytes(data)
        return path

    only_right_or_refused(became(300, make, take_sound))


def test_the_whole_sheet_that_each_case_starts_from_is_taken() -> None:
    assert outcome(take_sheet, STORED) == RIGHT


def test_sheets(tmp_path: Path, sheet: dict[str, Any]) -> None:
    def make(chance: Random) -> Path:
        path = tmp_path / "hostile.sheet.json"
        path.write_bytes(hostile_sheet(sheet, chance))
        return path

    only_right_or_refused(became(300, make, take_sheet))


def test_configurations(tmp_path: Path) -> None:
    values = tomllib.loads(resource("configs", "default.toml").read_text(encoding="utf-8"))

    def make(chance: Random) -> Path:
        path = tmp_path / "hostile.toml"
        path.write_bytes(hostile_configuration(values, chance))
        return path

    only_right_or_refused(became(300, make, take_configuration))


def test_album_lists(tmp_path: Path) -> None:
    def make(chance: Random) -> Path:
        path = tmp_path / "hostile.toml"
        path.write_bytes(hostile_list(chance))
        return path

    only_right_or_refused(became(300, make, take_list))


@pytest.mark.parametrize("whole_tool", whole_tools(), ids=["compressor", "limiter", "clipper", "equaliser"])
def test_the_whole_tools_that_each_case_starts_from_are_taken(tmp_path: Path, whole_tool: bytes) -> None:
    path = tmp_path / "hostile.tool.toml"
    path.write_bytes(whole_tool)
    assert outcome(take_tool, path) == RIGHT


def test_tools(tmp_path: Path) -> None:
    def make(chance: Random) -> Path:
        path = tmp_path / "hostile.tool.toml"
        path.write_bytes(hostile_tool(chance))
        return path

    only_right_or_refused(became(300, make, take_tool))


def test_bounces(tmp_path: Path) -> None:
    found = Counter(bounces_became(Random(seed), tmp_path / "bus.tool.toml") for seed in range(14))
    only_right_or_refused(found)


def test_requests_to_the_desk(tmp_path: Path) -> None:
    desk = HostileDesk(tmp_path)
    try:
        only_right_or_refused(Counter(desk.outcome(Random(seed)) for seed in range(400)))
    finally:
        desk.close()
