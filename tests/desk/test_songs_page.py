"""The page of all songs: what there is of each, what wants attention first, and how mixes come to it."""

import base64
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile
from playwright.sync_api import Browser

from autochain.desk.desk import Desk, desk_on
from autochain.desk.pages import rendered
from autochain.desk.songs_view import songs_fragment, songs_part
from tests.desk.page_of_facts import Seen, seen

RATE_HZ = 44100


def write(path: Path, level_db: float = -12.0, clipped: bool = False) -> None:
    """Six seconds of noise with soft ends; `clipped`: driven far over full scale by whoever made the mix."""
    noise = np.random.default_rng(7).standard_normal((6 * RATE_HZ, 2)) * 10.0 ** (level_db / 20.0) / 4.0
    edge = RATE_HZ // 2
    shape = np.ones(len(noise))
    shape[:edge] = np.linspace(0.0, 1.0, edge) ** 2
    shape[-edge:] = shape[:edge][::-1]
    sound = noise * shape[:, None]
    soundfile.write(path, np.clip(40.0 * sound, -1.0, 1.0) if clipped else sound, RATE_HZ, subtype="PCM_24")


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Desk]:
    folder = tmp_path_factory.mktemp("songs")
    write(folder / "even.wav")
    write(folder / "broken & <b>.wav", clipped=True)
    (folder / "no sound.wav").write_bytes(b"RIFF")
    with desk_on([folder], folder / "masters") as made:
        until = time.monotonic() + 60.0
        while len(made.checked) + len(made.errors) < 3 and time.monotonic() < until:
            time.sleep(0.1)
        yield made


def html_of(desk: Desk) -> str:
    return rendered("songs.html", songs=songs_part(desk))


@pytest.fixture
def opened(browser: Browser, desk: Desk) -> Iterator[Seen]:
    with seen(browser, None, html=lambda: html_of(desk)) as found:
        yield found


def test_every_song_has_a_line_with_what_was_measured(
    desk: Desk, libebur128: Callable[[Path], tuple[float, float]]
) -> None:
    lines = {line.name: line for line in songs_part(desk).lines}
    assert list(lines) == [song.name for song in desk.songs]
    even, broken = lines["even.wav"], lines["broken & <b>.wav"]
    # libebur128 is the outside reading.
    assert even.loudness == f"{libebur128(desk.songs[1].path)[0]:.1f} LUFS"
    assert even.state == "nothing yet"
    assert even.length == "0:06.0"
    assert broken.verdict == "go back to the mix"
    assert "clipped" in broken.found


def test_what_cannot_go_on_comes_first_with_its_reason(desk: Desk) -> None:
    first = {line.name: line.words for line in songs_part(desk).first}
    assert set(first) == {"broken & <b>.wav", "no sound.wav"}
    assert first["broken & <b>.wav"].startswith("go back to the mix (")
    assert "1 that cannot be used" in songs_part(desk).lead


def test_verdicts_are_told_by_words_and_by_shapes_of_their_own(opened: Seen) -> None:
    signs = opened.page.evaluate(
        "[...document.querySelectorAll('#songs tbody td:nth-child(2)')].map((one) => [one.innerText.trim(), "
        "one.querySelector('svg').innerHTML])"
    )
    assert len(signs) == 3
    assert all(words for words, _ in signs)
    shapes: dict[str, set[str]] = {}
    for words, shape in signs:
        shapes.setdefault(shape, set()).add(words)
    assert len(shapes) >= 2


def test_the_page_complains_of_nothing_and_asks_nobody_else(opened: Seen) -> None:
    assert opened.complaints == []
    assert all(address.startswith((opened.of.address, "data:")) for address in opened.requests)
    assert opened.page.locator("#songs b").count() == 0
    assert opened.page.inner_text("#songs tbody").count("broken & <b>.wav") == 1


@pytest.mark.parametrize("width", [390, 1400])
def test_no_width_scrolls_sideways(browser: Browser, desk: Desk, width: int) -> None:
    with seen(browser, None, width, html=lambda: html_of(desk)) as opened:
        assert opened.page.evaluate("document.documentElement.scrollWidth") == width


def test_lines_are_filled_in_while_checks_go_on(opened: Seen, desk: Desk) -> None:
    opened.page.evaluate("document.querySelector('#songs tbody').marked = 1")
    opened.of.tell("fragment", song=None, id="songs", html=songs_fragment(desk).replace("6.0", "7.0"))
    opened.until(lambda: "0:07.0" in opened.page.inner_text("#songs"))
    assert opened.page.evaluate("document.querySelector('#songs tbody').marked") == 1


def test_mixes_are_dropped_anywhere_on_the_page(opened: Seen) -> None:
    drop = """([text]) => {
      const bytes = Uint8Array.from(atob(text), (one) => one.charCodeAt(0));
      const dataTransfer = new DataTransfer();
      dataTransfer.items.add(new File([bytes], "new mix é.wav"));
      const facts = { dataTransfer, bubbles: true, cancelable: true };
      for (const kind of ["dragover", "drop"]) document.querySelector("h1").dispatchEvent(new DragEvent(kind, facts));
    }"""
    opened.page.evaluate(drop, [base64.b64encode(b"sound").decode()])
    opened.until(lambda: bool(opened.of.uploads))
    assert opened.of.uploads == [("/files/new%20mix%20%C3%A9.wav?as=mix", b"sound")]


def test_an_empty_folder_says_what_to_do(browser: Browser, tmp_path: Path) -> None:
    with (
        desk_on([tmp_path], tmp_path / "masters") as empty,
        seen(browser, None, html=lambda: html_of(empty)) as opened,
    ):
        assert "There is no mix here yet." in opened.page.inner_text("main")
        assert "Drop stereo mixes anywhere on this page" in opened.page.inner_text("main")
        assert opened.page.locator("#songs input[type=file]").count() == 1
        assert opened.page.locator("table").count() == 0
