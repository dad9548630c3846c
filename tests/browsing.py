"""Chromium, and a page in it that was opened from disk."""

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Literal

import numpy as np
import pytest
from playwright.sync_api import Browser, Page, sync_playwright

CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
# A name that its owner points to this computer, for the tests of who may speak to the desk.
REBOUND = "rebound.example"
FLAGS = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--autoplay-policy=no-user-gesture-required",
    f"--host-resolver-rules=MAP {REBOUND} 127.0.0.1",
)  # fmt: skip


@contextmanager
def chromium() -> Iterator[Browser]:
    if CHROMIUM is None:
        pytest.skip("Chromium is not here: apt-get install chromium, for the tests of the page")
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=CHROMIUM, args=list(FLAGS))
        page = started.new_page()
        page.set_content("<span>words</span>")
        wide = page.evaluate("document.querySelector('span').offsetWidth")
        page.close()
        if not wide:
            started.close()
            pytest.skip("Chromium has no font here: apt-get install fonts-dejavu-core, for the tests of the page")
        yield started
        started.close()


class Opened:
    """A page, what it complained of, and what it asked for."""

    def __init__(
        self, browser: Browser, path: Path, width: int = 1000, scheme: Literal["light", "dark"] = "light"
    ) -> None:
        self.page: Page = browser.new_page(viewport={"width": width, "height": 800}, color_scheme=scheme)
        self.complaints: list[str] = []
        self.requests: list[str] = []
        self.page.on("console", lambda message: self.complaints.append(message.text))
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.on("request", lambda request: self.requests.append(request.url))
        self.page.goto(path.as_uri())


def luminance(colour: np.ndarray) -> float:
    """Relative luminance of an sRGB colour, W3C, Web Content Accessibility Guidelines 2.1, its glossary."""
    part = colour / 255.0
    linear = np.where(part <= 0.03928, part / 12.92, ((part + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])
