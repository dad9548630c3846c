"""The page of a curve as Chromium shows it, opened from disk."""

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Page, sync_playwright

from autochain.curve.as_html import to_html
from tests.curve.conftest import TARGETS, Traced

CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
SHOWN = "[...document.querySelectorAll('.card')].filter(c => getComputedStyle(c).display !== 'none').map(c => c.id)"

if CHROMIUM is None:
    pytest.skip("Chromium is not here: apt-get install chromium, for the tests of the page", allow_module_level=True)


@pytest.fixture
def opened(traced: Traced, tmp_path: Path) -> Iterator[tuple[Page, list[str], list[str]]]:
    """The page on a phone, what it complained of, and what it asked for."""
    (tmp_path / "song.curve.html").write_text(to_html(traced.curve, "song"), encoding="utf-8")
    for target in TARGETS:
        (tmp_path / f"song.at{target:.1f}.sheet.html").write_text(f"<title>{target}</title>", encoding="utf-8")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"])
        page = browser.new_page(viewport={"width": 390, "height": 844})
        complaints: list[str] = []
        requests: list[str] = []
        page.on("console", lambda message: complaints.append(message.text))
        page.on("request", lambda request: requests.append(request.url))
        page.goto((tmp_path / "song.curve.html").as_uri())
        yield page, complaints, requests
        browser.close()


def test_keys_and_pointer_show_one_card_and_open_its_sheet(opened: tuple[Page, list[str], list[str]]) -> None:
    page, complaints, requests = opened
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
    assert complaints == []
    assert all(url.startswith("file:") for url in requests)
