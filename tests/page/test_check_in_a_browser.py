"""The page of the check as Chromium shows and plays it, opened from disk."""

from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import Browser

from autochain.audio.files import write_wav
from autochain.demo import make_demo
from tests.browsing import Opened, luminance
from tests.conftest import Ran

RATE_HZ = 44100


@pytest.fixture(scope="module")
def html(tmp_path_factory: pytest.TempPathFactory, command: Callable[..., Ran]) -> Path:
    """Two mixes: one with clicks, a hole and a cut-off end, one that is ready."""
    folder = tmp_path_factory.mktemp("mixes")
    clean = make_demo("vocal_with_piano", RATE_HZ, 14.0, 2)
    broken = clean.copy()
    for second in (5, 8):
        broken[second * RATE_HZ] += np.float32(0.1)
    write_wav(folder / "a_broken.wav", broken, RATE_HZ, 1)
    write_wav(folder / "b_clean.wav", clean, RATE_HZ, 1)
    out = folder.parent / "checked"
    assert command("check", folder, "-o", out).code == 0
    return out / "check.html"


@pytest.fixture
def opened(browser: Browser, html: Path) -> Iterator[Opened]:
    found = Opened(browser, html)
    yield found
    found.page.close()


def until(opened: Opened, condition: str) -> None:
    for _ in range(200):
        if opened.page.evaluate(condition):
            return
        opened.page.wait_for_timeout(50)
    raise AssertionError(condition)


def test_it_opens_from_disk_without_a_complaint_and_asks_for_nothing(opened: Opened, html: Path) -> None:
    assert opened.complaints == []
    assert opened.requests == [html.as_uri()]
    assert "protect ears and loudspeakers" in opened.page.inner_text("body")


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_it_fits_a_phone_and_its_waveform_stands_out_of_the_paper(browser: Browser, html: Path, scheme: str) -> None:
    phone = Opened(browser, html, 390, scheme)  # type: ignore[arg-type]
    phone.page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
    assert phone.page.evaluate("document.documentElement.scrollWidth") <= 390
    colours = phone.page.evaluate(
        "[getComputedStyle(document.querySelector('.wave')).fill, getComputedStyle(document.body).backgroundColor,"
        " getComputedStyle(document.querySelector('.wave')).opacity]"
    )
    fill, paper = (np.array([float(v) for v in c[c.index("(") + 1 : -1].split(",")[:3]]) for c in colours[:2])
    share = float(colours[2])
    # Contrast of graphics, 3 : 1 or more: W3C, Web Content Accessibility Guidelines 2.1, success criterion 1.4.11.
    light = sorted(luminance(colour) for colour in (share * fill + (1.0 - share) * paper, paper))
    assert (light[1] + 0.05) / (light[0] + 0.05) >= 3.0
    phone.page.close()


def test_a_name_in_the_table_opens_its_mix_and_a_wedge_leads_to_its_place(opened: Opened) -> None:
    page = opened.page
    assert page.evaluate("document.querySelectorAll('details[open]').length") == 0
    page.click(".glance tbody tr:nth-child(1) a")
    assert page.evaluate("[...document.querySelectorAll('details')].map((one) => one.open)") == [True, False]
    wedges = page.query_selector_all(".strip a.mark")
    assert len(wedges) >= 2
    wedges[0].focus()
    page.keyboard.press("Enter")
    assert page.evaluate("document.querySelector(':target .thin') !== null")


def test_a_place_plays_one_at_a_time_by_mouse_and_by_keyboard(opened: Opened) -> None:
    page = opened.page
    page.evaluate("document.querySelector('details').open = true")
    first, second = page.query_selector_all("button[data-extract]")[:2]
    first.click()
    until(opened, "window.extracts.audio.currentTime > 0.2")
    assert page.evaluate("window.extracts.audio.duration") == pytest.approx(3.0, abs=0.01)
    second.focus()
    page.keyboard.press("Enter")
    assert [one.get_attribute("aria-pressed") for one in (first, second)] == ["false", "true"]
    until(opened, "window.extracts.audio.currentTime > 0.2")
    page.keyboard.press("Space")  # the same button again
    assert page.evaluate("window.extracts.audio.paused")
    assert page.evaluate("window.extracts.playing()") is None
    second.evaluate("(one) => one.closest('figure').querySelector('svg').dispatchEvent(new MouseEvent('click'))")
    assert page.evaluate("window.extracts.playing()") == second.get_attribute("data-extract")
    assert opened.complaints == []


def test_what_chromium_decodes_is_as_soft_as_promised(opened: Opened) -> None:
    """Peaks at -12 dBFS at most: a limit of this project, here behind the browser's own decoder."""
    peaks = opened.page.evaluate(
        """async () => {
          const flacs = Object.values(JSON.parse(document.getElementById("extracts").textContent));
          const decoder = new OfflineAudioContext(2, 1, 44100);
          const peaks = [];
          for (const flac of flacs) {
            const bytes = Uint8Array.from(atob(flac), (c) => c.charCodeAt(0)).buffer;
            const sound = await decoder.decodeAudioData(bytes);
            for (let k = 0; k < sound.numberOfChannels; k += 1)
              peaks.push(sound.getChannelData(k).reduce((most, v) => Math.max(most, Math.abs(v)), 0));
          }
          return peaks;
        }"""
    )
    assert len(peaks) >= 4
    assert max(peaks) <= 10.0 ** (-12.0 / 20.0)
    assert max(peaks) > 0.01
