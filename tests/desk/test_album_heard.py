"""What is heard across a gap of the album, taken from Chromium's output, beside the masters' own samples."""

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile
from playwright.sync_api import Browser

from autochain.album.masters import master_names
from tests.desk.hearing import Desk, Samples, TornError, desk_process
from tests.desk.test_album import RATE_HZ, album_of

FADE = RATE_HZ // 100
EXACT = 2.0**-20  # at full scale: a ramp's gain in float32 is 8e-7 off behind 441 steps


@pytest.fixture
def heard_at(tmp_path: Path) -> Iterator[tuple[str, Samples]]:
    """A desk over two songs with masters, the first of which ends in silence; and what plays from one into the next."""
    album = album_of(tmp_path, ["first", "second"])
    album.ordered([entry.file for entry in album.entries])
    for place, name in enumerate(name for track in album.tracks for name in master_names(track)[:-1]):
        noise = (0.1 + 0.2 * place) * np.random.default_rng(place).standard_normal((2 * RATE_HZ, 2))
        noise[-RATE_HZ // 2 :] *= place  # the gap
        soundfile.write(album.out / name, np.clip(noise, -0.9, 0.9), RATE_HZ, subtype="PCM_24")
    with desk_process(tmp_path, "-o", album.out) as address:
        yield address, album.heard_across(0).samples


def test_the_end_the_gap_and_the_beginning_are_heard_at_the_levels_of_the_masters(
    browser: Browser, heard_at: tuple[str, Samples]
) -> None:
    address, files = heard_at
    desk = Desk(browser, address, "first.wav")
    try:
        page = desk.page
        page.click("nav a:has-text('album')")
        page.fill("#album-volume", "0")
        across = page.locator("[data-album=across]")
        assert across.count() == 1
        across.click()  # nothing is taped before something has played
        desk.until("window.tape.ready")
        for left in reversed(range(8)):
            page.click("[data-album=quiet]")
            desk.until("!window.album.playing()")
            desk.played(0.2)
            desk.record()
            desk.taped(0.1)
            across.evaluate("(button) => { button.click(); button.click(); }")  # one of both plays
            desk.until("document.getElementById('album-state').textContent.startsWith('next song in')")
            # A song that moves on the page turns no level.
            page.locator("[name=offset_lu], [name=title]").first.dispatch_event("change")
            desk.until("document.getElementById('album-state').textContent.startsWith('next song for')")
            desk.until("!window.album.playing()")
            desk.taped(0.2)
            try:
                _, heard = desk.tape()
            except TornError:  # by other work on the machine
                if not left:
                    raise
                continue
            break
        assert page.input_value("#album-volume") == "0"
        assert page.inner_text("#album-state") == ""
        # From 0 at the first frame, back to 0 at the frame behind the last.
        edge = np.minimum(np.arange(len(files)), len(files) - np.arange(len(files))) / FADE
        expected = files * np.minimum(edge, 1.0)[:, None]
        middle = len(files) // 2  # of the noise behind the gap: a part that is like no other
        part = files[middle + RATE_HZ // 2 :][: RATE_HZ // 4, 0]
        found = np.correlate(heard[:, 0], part, "valid")
        first = int(np.argmax(found)) - middle - RATE_HZ // 2
        assert np.abs(heard[first : first + len(files)] - expected).max() < EXACT
        assert not heard[first + len(files) :].any()
        # The files themselves: half a second of silence lies between, and the second is three times as loud.
        assert not files[3 * RATE_HZ // 2 : 2 * RATE_HZ].any()
        assert desk.complaints == []
    finally:
        desk.close()
