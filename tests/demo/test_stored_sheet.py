"""One installation gives the same settings everywhere: the demo's sheet is as it was stored."""

import copy
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.conftest import Ran
from tests.demo.stored import STORED, apart, read


def test_the_demo_has_the_settings_that_were_stored(full_demo: Callable[[], tuple[Path, Ran]]) -> None:
    folder, _ = full_demo()
    (made,) = folder.glob("*.sheet.json")
    parted = list(apart(read(STORED), read(made)))
    told = "\n".join(parted[:20])
    assert not parted, f"{told}\nWhere that is meant, `python -m tests.docs.rewrite README.md` stores it anew."


def changed(way: tuple[Any, ...], by: float) -> list[str]:
    """What is seen of one number that differs."""
    stored = read(STORED)
    made = inside = copy.deepcopy(stored)
    for key in way[:-1]:
        inside = inside[key]
    inside[way[-1]] += by
    return list(apart(stored, made))


@pytest.mark.parametrize(
    ("way", "by", "seen"),
    [
        (("stages", 1, "settings", "gain_db"), 0.001, True),  # a setting, by anything
        (("target", "ceiling_dbtp"), 1e-9, True),
        (("provenance", "request", "seed"), 1, True),
        (("after", "integrated_lufs"), 0.01, False),  # a figure, by less than is printed
        (("after", "max_short_term_lufs"), 0.03, True),
        (("costs", "added_distortion_nmr_db"), -0.03, True),
        (("after", "clipped_runs"), 1, True),
        (("costs", "score"), 0.03, True),
        (("mix", "sha256"), "0", False),
    ],
    ids=lambda value: str(value),
)
def test_what_parts_two_sheets_is_seen(way: tuple[Any, ...], by: Any, seen: bool) -> None:
    assert bool(changed(way, by)) is seen


def test_a_stage_that_is_gone_is_seen() -> None:
    made = read(STORED)
    made["stages"].pop()
    assert list(apart(read(STORED), made)) == ["stages has 5 entries, and here 4"]
