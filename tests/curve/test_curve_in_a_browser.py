"""The page of a curve as Chromium shows it, opened from disk."""

from pathlib import Path

import pytest
from playwright.sync_api import Browser

from autochain.curve.report import to_html
from autochain.curve.sheets import with_sheets
from tests.browsing import Opened
from tests.curve.conftest import TARGETS, Traced

SHOWN = "[...document.querySelectorAll('.card')].filter(c => getComputedStyle(c).display !== 'none').map(c => c.id)"


@pytest.fixture
def opened(traced: Traced, tmp_path: Path, browser: Browser) -> Opened:
    """The page on a phone."""
    (tmp_path / "song.curve.html").write_text(to_html(with_sheets(traced.curve, "song")), encoding="utf-8")
    for target in TARGETS:
        (tmp_path / f"song.at{target:.1f}.sheet.html").write_text(f"<title>{target}</title>", encoding="utf-8")
    return Opened(browser, tmp_path / "song.curve.html", 390)


def test_keys_and_pointer_show_one_card_and_open_its_sheet(opened: Opened) -> None:
    page = opened.page
    assert page.evaluate("document.documentElement.scrollWidth") == 390  # nothing sticks out sideways
    assert len(page.evaluate(SHOWN)) == 1
    page.keyboard.press("Tab")
    assert page.evaluate(SHOWN) == ["cat-16_0"]
    page.keyboard.press("Tab")
    assert page.evaluate(SHOWN) == ["cat-10_0"]
    page.hover("#dat-8_0 .dot")
    assert page.evaluate(SHOWN) == ["cat-8_0"]  # the pointer goes before the focus
    page.mouse.move(0, 0)
    assert page.evaluate(SHOWN) == ["cat-10_0"]
    with page.expect_navigation():
        page.keyboard.press("Enter")
    assert page.url.endswith("/song.at-10.0.sheet.html")
    page.go_back()
    with page.expect_navigation():
        page.click("#dat-8_0 .dot")
    assert page.url.endswith("/song.at-8.0.sheet.html")
    assert opened.complaints == []
    assert all(url.startswith("file:") for url in opened.requests)
