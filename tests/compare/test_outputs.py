"""Names and figures in Markdown, HTML and JSON: what a file is called stays text everywhere."""

import json
import re
from html.parser import HTMLParser

import numpy as np
import pytest

from autochain.audio.files import read_mix
from autochain.audio.mix import Mix
from autochain.compare import compare
from autochain.compare.as_json import different_to_json, to_json
from autochain.compare.description import describe
from autochain.compare.report import different_report, report, report_page
from autochain.document.as_markdown import markdown

RATE_HZ = 44100
HOSTILE = "<script>alert(1)</script> \"q\" 'a' & ![x](y) | *b*\n# head \u202egnp.wav"


class Page(HTMLParser):
    """Tags and text of a page, as a browser's parser sees them."""

    def __init__(self, text):
        super().__init__()
        self.tags, self.words, self.attributes = [], [], []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += attrs

    def handle_data(self, data):
        self.words.append(data)


@pytest.fixture(scope="module")
def found(brief_mix):
    song = read_mix(brief_mix).samples
    mixes = (
        Mix(samples=samples, rate_hz=RATE_HZ, file=HOSTILE, sha256=digit * 64, subtype="PCM_24")
        for samples, digit in ((song, "0"), (np.clip(2.0 * song, -0.5, 0.5), "1"))
    )
    return compare(*mixes)


def test_a_hostile_name_stays_text_in_html(found):
    html = report_page(found, report(found, describe(found)))
    page = Page(html)
    assert "script" not in page.tags
    shown = HOSTILE.replace("\n", "\\n").replace("\u202e", "\\u202e")
    assert f"{shown} against {shown}" in page.words
    assert "\u202e" not in html


def test_the_page_needs_nothing_from_elsewhere(found):
    html = report_page(found, report(found, describe(found)))
    names = {name for name, _ in Page(html).attributes}
    assert not names & {"src", "href", "onload", "onclick", "style"}
    assert not re.search(r"url\(|@import|https?://", html)
    assert "prefers-color-scheme: dark" in html
    assert "@media print" in html
    assert Page(html).tags.count("svg") == 2


def test_a_hostile_name_stays_text_in_markdown(found):
    first, *rest = markdown(report(found, describe(found))).splitlines()
    assert first.startswith("# \\<script>alert(1)\\</script>")
    assert "!\\[x](y)" in first
    assert "\\*b\\*" in first
    assert not [line for line in rest if line.startswith("# ")]
    assert "\u202e" not in first


def test_json_gives_the_name_back_and_holds_every_figure(found):
    text = to_json(found, describe(found))
    data = json.loads(text)
    assert data["mix"]["file"] == HOSTILE
    assert "\u202e" not in text
    assert (data["format_version"], data["same_material"]) == (2, True)
    assert data["gain_lu"] == pytest.approx(found.gain_lu, abs=5e-4)
    assert [band["nominal_hz"] for band in data["third_octaves"]] == [band.nominal_hz for band in found.bands]
    assert [one["text"] for one in data["changed"]] == [one.text for one in describe(found).changed]


def test_the_same_comparison_gives_the_same_bytes(found):
    assert to_json(found, describe(found)) == to_json(found, describe(found))
    assert report_page(found, report(found, describe(found))) == report_page(found, report(found, describe(found)))


def test_different_material_is_said_without_figures():
    data = json.loads(different_to_json("a.wav", "b.wav", "mix and master are different material."))
    assert data["same_material"] is False
    assert "gain_lu" not in data
    assert "**Different material.**" in markdown(different_report("a.wav", "b.wav", "mix and master differ."))
