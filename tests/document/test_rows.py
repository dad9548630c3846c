"""Named rows with a dot each."""

import re
from xml.etree import ElementTree

import pytest

from autochain.document.rows import Row, row_chart


def names(svg: str) -> list[str]:
    texts = [element.text or "" for element in ElementTree.fromstring(svg).iter("text")]
    return [text for text in texts if not re.fullmatch(r"[+-]?[\d.]+|dB", text)]


def test_a_dot_is_as_far_along_as_its_value() -> None:
    svg = row_chart("x", "dB", [Row(name=n, words=n, value=v) for n, v in (("a", 1.0), ("b", 2.0), ("c", 4.0))])
    at = [float(x) for x in re.findall(r'class="dot" cx="([\d.]+)"', svg)]
    assert (at[2] - at[1]) / (at[1] - at[0]) == pytest.approx(2.0, abs=0.02)  # (4 - 2) / (2 - 1)


def test_a_long_name_is_cut_in_the_picture_and_whole_in_its_words() -> None:
    long = "a name that goes on and on and on"
    rows = [Row(name=long, words=f"{long}: 1.0 dB", value=1.0), Row(name="short", words="", value=2.0)]
    svg = row_chart("x", "dB", rows)
    cut, short = names(svg)
    assert short == "short"
    assert cut.endswith("…")
    assert long.startswith(cut[:-1])
    assert f"<title>{long}: 1.0 dB</title>" in svg


def test_wide_letters_take_the_room_of_two() -> None:
    svg = row_chart("x", "dB", [Row(name=letter * 40, words="", value=1.0) for letter in ("a", "歌")])
    latin, wide = (len(name) for name in names(svg))
    assert latin > 1.5 * wide


def test_a_name_is_text_without_signs_that_turn_a_line() -> None:
    svg = row_chart("x", "dB", [Row(name="<b>\u202e\n", words='"&\u202e', value=1.0, href='./"a"')])
    ElementTree.fromstring(svg)
    assert "\u202e" not in svg
    assert "<b>" not in svg


def test_stems_start_at_the_median_or_at_the_ring() -> None:
    rows = [Row(name="a", words="a", value=3.0, before=1.0, stands_out=True), Row(name="b", words="b", value=2.0)]
    assert row_chart("x", "dB", rows).count('class="stem"') == 1
    svg = row_chart("x", "dB", rows, 2.0)
    assert svg.count('class="stem"') == 2
    assert svg.count('class="ring"') == svg.count('class="dot out"') == svg.count('class="second"') == 1
