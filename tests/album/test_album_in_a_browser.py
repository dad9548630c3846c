"""The album's page as Chromium shows it, opened from disk: six short songs at a loudness that a gain alone reaches."""

import json
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import numpy as np
import pytest
from playwright.sync_api import Browser

from autochain.audio.files import write_wav
from autochain.demo import make_demo
from tests.browsing import Opened

RATE = 44100
TRACKS = 6
PAUSE_S = 5.0
FITS = "[...document.querySelectorAll('.wide')].every((one) => one.scrollWidth <= one.clientWidth)"


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory, command: Callable[..., Any]) -> Path:
    mixes, out = tmp_path_factory.mktemp("mixes"), tmp_path_factory.mktemp("album")
    songs = [make_demo("dense_rock", RATE, 10.0, 1 + k) for k in range(3)]
    for k in range(TRACKS):
        samples = songs[k % 3][k // 3 * RATE // 2 :][: 5 * RATE]
        if k == 2:  # narrower than the others by 10 dB, and a long pause behind it
            middle, side = samples.mean(axis=1), 0.5 * (samples[:, 0] - samples[:, 1]) * 10.0**-0.5
            samples = np.column_stack([middle + side, middle - side])
            samples = np.concatenate([samples, np.zeros((round(PAUSE_S * RATE), 2))])
        write_wav(mixes / f"song {k + 1} <i>.wav", samples, RATE, 1)
    kept = mixes / "kept.toml"  # the long pause stays, so that there is one to tell
    kept.write_text("[prepare]\ncut_silence = false\n", encoding="utf-8")
    ran = command("album", mixes, "-o", out, "--lufs", -24, "--jobs", 1, "--no-log", "--config", kept)
    assert ran.code == 0, ran.err
    return out


def test_figures_of_the_overview_say_what_the_pictures_show(made: Path) -> None:
    told = json.loads((made / "album.json").read_text())
    gaps, tracks = told["gaps_s"], told["tracks"]
    # Silence of the mix, with 0.2 s after it and 0.2 s before the next, the output stage's usual values.
    assert gaps[2] == pytest.approx(PAUSE_S + 0.4, abs=0.1)
    assert len(gaps) == TRACKS - 1
    assert max(gaps[:2] + gaps[3:]) < 1.0
    # The sides were lowered by 10 dB.
    width = [track["figures"]["side_to_mid_db"] for track in tracks]
    assert width[2] < np.median(width) - 8.0
    assert {line.split(":")[0] for line in told["stand_out"]} == {"song 3 <i>"}
    assert any("side against mid" in line for line in told["stand_out"])
    assert any("5.4 s of silence before the next track" in line for line in told["stand_out"])
    # A gain moves no tone.
    assert told["moved_in_common"] == []
    for track in tracks:
        assert sum(10.0 ** (db / 10.0) for db in track["balance_db"].values()) == pytest.approx(1.0, abs=0.05)
        assert max(map(abs, track["change_db"].values())) < 0.1


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [1400, 1000, 390])
def test_the_page_opens_from_disk_and_fits_the_window(made: Path, browser: Browser, width: int, scheme: Any) -> None:
    opened = Opened(browser, made / "album.html", width, scheme)
    assert opened.complaints == []
    assert opened.requests == [(made / "album.html").as_uri()]
    assert opened.page.evaluate("document.documentElement.scrollWidth") <= width
    assert opened.page.locator(".wide").count() == 2
    assert opened.page.evaluate(FITS)
    # Loudness, peaks, range, width, tone, gaps.
    assert opened.page.locator("figure svg").count() == 6
    told = json.loads((made / "album.json").read_text())["stand_out"]
    assert opened.page.locator("circle.out").count() == len(told) >= 2
    if kept := os.environ.get("AUTOCHAIN_SCREENSHOTS"):
        opened.page.screenshot(path=f"{kept}/album-{width}-{scheme}.png", full_page=True)
    opened.page.close()


def test_on_paper_the_tables_fit_the_page(made: Path, browser: Browser) -> None:
    opened = Opened(browser, made / "album.html", 718)  # A4 less its margins of 1 cm, at 96 pixels an inch
    opened.page.emulate_media(media="print")
    assert opened.page.evaluate("document.documentElement.scrollWidth") <= 718
    edges = opened.page.evaluate("[...document.querySelectorAll('table')].map((t) => t.getBoundingClientRect().right)")
    assert len(edges) == 2
    assert max(edges) <= 718
    opened.page.close()


def test_every_sheet_is_reached_by_keyboard(made: Path, browser: Browser) -> None:
    opened = Opened(browser, made / "album.html")
    reached: list[str] = []
    for _ in range(200):
        opened.page.keyboard.press("Tab")
        here = opened.page.evaluate("document.activeElement.getAttribute('href')")
        if opened.page.evaluate("document.activeElement === document.body"):
            break
        if here is not None:  # else a table that scrolls
            reached.append(unquote(here))
    sheets = [f"./{path.name}" for path in sorted(made.glob("*.sheet.*"))]
    assert len(sheets) == 3 * TRACKS
    assert set(reached) == set(sheets)
    # Rows of six pictures (a track less where it is a gap), the row of the table, and three files a track.
    assert len(reached) == 5 * TRACKS + TRACKS - 1 + TRACKS + len(sheets)
    opened.page.close()


def test_enter_on_a_dot_opens_the_sheet(made: Path, browser: Browser) -> None:
    opened = Opened(browser, made / "album.html")
    opened.page.locator("svg a").first.focus()
    with opened.page.expect_navigation():
        opened.page.keyboard.press("Enter")
    assert "song%201" in opened.page.url
    assert opened.page.title()
    opened.page.close()
