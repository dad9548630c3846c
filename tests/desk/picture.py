"""The picture of the desk in the docs: the song of the demo, as its folder is after `autochain demo`."""

import sys
from pathlib import Path

from tests.browsing import chromium
from tests.desk.hearing import Desk, desk_process

WIDTH, HEIGHT = 1280, 860


def draw(demo: Path, to: Path) -> None:
    """Open the demo's song on a desk, and take its first screen when the whole song was verified."""
    (song,) = (path for path in demo.glob("*.wav") if not path.name.endswith(".preview.wav"))
    with chromium() as browser, desk_process(song, "-o", demo) as address:
        desk = Desk(browser, address, song.name, WIDTH, HEIGHT)
        desk.until("document.querySelector('#head .lead').textContent.includes('reached')", 120.0)
        desk.until("document.querySelector('#time svg') !== null", 120.0)
        desk.wait(1.0)
        to.parent.mkdir(exist_ok=True)
        desk.page.screenshot(path=to)
        desk.close()


if __name__ == "__main__":
    draw(Path(sys.argv[1]), Path(sys.argv[2]))
