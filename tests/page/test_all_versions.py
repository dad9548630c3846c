"""Mix, suggestion and both neighbours on one page: places inside it, or whole songs beside it, opened from disk."""

import base64
import errno
import json
import os
import re
import shutil
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pyebur128
import pytest
import soundfile
from playwright.sync_api import Browser

from autochain.audio.mix import Mix
from autochain.config import read_config
from autochain.demo import make_demo
from autochain.errors import AudioFileError, UsageError
from autochain.page import listening_to, sheet_hash, to_html, write_folder
from autochain.page.listening import Listening
from autochain.prepare.references import Reference, profile
from autochain.search.front import CLEANER, MORE_OPEN
from autochain.search.request import RunOptions, SearchRequest
from autochain.search.result import Suggestion
from autochain.search.run import MeasuredMix
from autochain.sheet import Sheet, build_sheet
from tests.conftest import RATE, Ran
from tests.page.browsing import Opened

EVENT_S = 17.3
NAMES = ["mix", "suggestion", "cleaner", "more open"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """A result with both neighbours, its sheet, and its page in both ways."""

    found: Suggestion
    sheet: Sheet
    inside: Path
    beside: Path
    songs: Listening


@pytest.fixture(scope="module")
def made(small_plan: Path, tmp_path_factory: pytest.TempPathFactory) -> Made:
    """Few trials on 26 s; the baselines stand for the neighbours: they differ from the suggestion as much."""
    samples = np.ascontiguousarray(make_demo("dense_rock", RATE, 26.0, 1), dtype=np.float32)
    # A song that begins late, and an event to jump to: a second of silence, and a single tone in it.
    samples[: round(0.7 * RATE)] = 0.0
    first, tone = round(EVENT_S * RATE), round(0.2 * RATE)
    samples[first - RATE // 2 : first + RATE // 2] = 0.0
    samples[first : first + tone] = 0.3 * np.sin(2.0 * np.pi * 997.0 * np.arange(tone) / RATE)[:, None]
    mix = Mix(samples=samples, rate_hz=RATE, file="song.wav", sha256="0" * 64, subtype="PCM_24")
    plan = read_config(small_plan, {"target": {"lufs": -10.0, "ceiling_dbtp": -1.0}, "search": {"budget": 6}})
    ready = MeasuredMix.of(SearchRequest(mix=mix, config=plan), RunOptions(jobs=2)).ready()
    found = ready.reach(plan.target).suggestion
    others = [v for v in found.baselines.values() if v.settings != found.chosen.settings]
    sides = zip((CLEANER, MORE_OPEN), others, strict=True)
    bright = np.diff(samples, axis=0, prepend=0.0).astype(np.float32)  # 6 dB an octave up
    beside = (samples, bright, samples[: 20 * RATE])
    found = replace(
        found,
        neighbours={
            side: ready.finished(replace(verified, name=side), plan.target)[0] for side, verified in sides
        },
        references=tuple(
            Reference(file=f"song {k}.wav", sha256=str(k) * 64, profile=profile(sound, RATE))
            for k, sound in enumerate(beside)
        ),
    )
    sheet, out = build_sheet(found), tmp_path_factory.mktemp("pages")
    (out / "inside.html").write_text(to_html(found, sheet, listening_to(found, sheet)), encoding="utf-8")
    songs = listening_to(found, sheet, whole=True)
    write_folder(out / "a #1 & song.sound", songs, sheet_hash(sheet), force=False)
    (out / "beside.html").write_text(to_html(found, sheet, songs, "a #1 & song.sound"), encoding="utf-8")
    return Made(found=found, sheet=sheet, inside=out / "inside.html", beside=out / "beside.html", songs=songs)


@pytest.fixture
def inside(browser: Browser, made: Made) -> Iterator[Opened]:
    page = Opened(browser, made.inside)
    yield page
    page.page.close()


@pytest.fixture
def beside(browser: Browser, made: Made) -> Iterator[Opened]:
    page = Opened(browser, made.beside)
    yield page
    page.page.close()


def loudness(samples: np.ndarray, rate_hz: int) -> float:
    state = pyebur128.R128State(samples.shape[1], rate_hz, pyebur128.MeasurementMode.MODE_I)
    state.add_frames(np.ascontiguousarray(samples, dtype=np.float64).reshape(-1), len(samples))
    return float(pyebur128.get_loudness_global(state))


def test_both_neighbours_are_on_the_page_and_in_the_player(inside: Opened) -> None:
    assert inside.complaints == []
    assert inside.state()["names"] == NAMES
    text = inside.page.inner_text("body")
    assert "more open" in text.lower()
    assert "cleaner" in text.lower()
    buttons = inside.page.query_selector_all("#versions button")
    assert [b.inner_text() for b in buttons] == [f"{k} {n}" for k, n in enumerate([*NAMES, "difference"], 1)]
    inside.page.keyboard.press("4")
    assert inside.state()["chosen"] == 3
    inside.page.click(".listen summary")
    inside.page.click("#hide")
    assert sorted(inside.state()["order"]) == [0, 1, 2, 3]
    assert not any(name in inside.page.inner_text("#versions") for name in NAMES)


def test_with_all_of_it_the_page_fits_a_phone_and_two_sheets_of_paper(browser: Browser, made: Made) -> None:
    phone = Opened(browser, made.inside, width=390)
    assert phone.page.evaluate("document.documentElement.scrollWidth") <= 390
    # In the fonts that are common and far apart in width; one that is not installed gives way to the usual one.
    for family in ("serif", "DejaVu Serif", "Liberation Serif", "Noto Serif"):
        phone.page.evaluate("family => { document.body.style.fontFamily = family; }", family)
        printed = phone.page.pdf(prefer_css_page_size=True)
        assert len(re.findall(rb"/Type\s*/Page\b(?!s)", printed)) <= 2, family
    phone.page.emulate_media(media="print")
    # Findings have their words and times there, their pictures on the screen alone.
    kinds = "h1, h2, td:not(:empty), li, figure, svg, .on-paper"
    # What is folded away on the screen stands on paper.
    shown = f"[...document.querySelectorAll('{kinds}')].filter(e => !e.closest('.found details, .contents, .listen'))"
    hidden = f"{shown}.filter(e => !e.getClientRects().length || !e.checkVisibility({{contentVisibilityAuto: true}}))"
    assert phone.page.evaluate(f"{hidden}.map(e => e.outerHTML)") == []
    assert not phone.page.query_selector(".listen, .player, .contents").is_visible()  # on paper nothing plays or leads
    phone.page.close()


def test_a_page_of_four_minutes_takes_less_than_3_s_of_one_core_and_15_mb(made: Made) -> None:
    """Limits of this project; the song is the short one ten times over, whose places hold as much sound."""
    song = np.concatenate([made.found.mix.samples] * 10)[: 240 * RATE]
    master = np.concatenate([made.found.samples] * 10)[: 240 * RATE]
    found = replace(made.found, mix=replace(made.found.mix, samples=song), samples=master)
    least, size = np.inf, 0
    for _ in range(2):
        before = time.process_time()
        size = len(to_html(found, made.sheet, listening_to(found, made.sheet)).encode())
        least = min(least, time.process_time() - before)
    assert least < 3.0
    assert 1_000_000 < size < 15_000_000


def test_the_spectrum_stands_before_that_of_the_references(inside: Opened, made: Made) -> None:
    (shown,) = (
        figure
        for figure in inside.page.query_selector_all("figure")
        if "median" in (figure.text_content() or "") and "references" in (figure.text_content() or "")
    )
    drawn = {}
    for kind in ("area", "median", "before", "line"):
        element = shown.query_selector(f"svg .{kind}")
        assert element is not None
        assert element.evaluate("e => getComputedStyle(e).fill !== 'none' || getComputedStyle(e).stroke !== 'none'")
        drawn[kind] = np.array([p.split(",") for p in (element.get_attribute("points") or "").split()], dtype=float)
    count = len(drawn["median"])
    assert count >= 25
    high, low = drawn["area"][:count, 1], drawn["area"][count:, 1][::-1]
    median, mix = drawn["median"][:, 1], drawn["before"][:, 1]
    assert (high <= median).all()  # down the page is lower
    assert (median <= low).all()
    # One reference is the mix, one a part of it, and the third is brighter: it is the highest on top, the lowest below.
    top, bottom = slice(-8, None), slice(0, 8)
    assert (low - high)[top].min() > 20.0
    assert (low - high)[bottom].min() > 20.0
    assert np.abs(np.minimum(np.abs(mix - low), np.abs(mix - median))[top]).max() <= 2.0
    assert (mix - high)[top].min() > 20.0


@pytest.mark.parametrize("way", ["inside", "beside"])
def test_what_the_browser_plays_is_equally_loud_in_all_versions(
    way: str, request: pytest.FixtureRequest, made: Made
) -> None:
    """By libebur128 (BS.1770), of the whole that is played. 0.3 dB is a limit of this project."""
    page: Opened = request.getfixturevalue(way)
    seconds = page.page.evaluate("window.listening.facts.frames / window.listening.facts.rate_hz")
    heard = [page.heard(k, at_s=0.0, seconds=seconds) for k in range(4)]
    levels = [loudness(samples, RATE) for samples in heard]
    assert max(levels) - min(levels) <= 0.3
    gains = [sound["gain_db"] for sound in page.page.evaluate("window.listening.facts.sounds")]
    assert max(gains) <= 0.0
    assert min(gains[1:]) < -1.0  # the masters went down
    before = loudness(made.found.mix.samples, RATE)
    if way == "beside":
        assert levels[0] == pytest.approx(before + gains[0], abs=0.1)


def test_the_page_says_how_loud_it_plays_and_where_versions_differ(inside: Opened, beside: Opened) -> None:
    assert "All versions are equally loud over these excerpts; turned down: suggestion " in told(inside)
    text = told(beside)
    assert "All versions are equally loud over the whole song; turned down: suggestion " in text
    assert re.search(r"In a single place versions are up to \d+\.\d LU apart", text)


def told(opened: Opened) -> str:
    """What the page says of its player."""
    return " ".join(part.inner_text() for part in opened.page.query_selector_all(".listen"))


def test_whole_songs_play_from_disk_across_blocks_to_the_sample(beside: Opened, made: Made) -> None:
    facts = beside.page.evaluate("window.listening.facts")
    assert facts["flac"] is None
    # The songs are beside it; places of findings, a few seconds each, stay inside.
    own = re.sub(r'id="extracts">[^<]*<', "<", made.beside.read_text(encoding="utf-8"))
    assert len(own) < 300_000
    assert facts["frames"] == len(made.found.mix.samples)
    # Across both joins of three blocks of 10 s; 16-bit words that libFLAC packed, decoded by the browser.
    for version, at_s in ((0, 9.0), (1, 9.0), (3, 19.5)):
        first = round(at_s * RATE) + round(0.02 * RATE)
        heard = beside.heard(version, at_s=at_s, seconds=2.0)
        words = made.songs.sounds[version].words[first : first + len(heard)] / 32768.0
        # Chromium's decoder divides by 32767 or 32768 according to sign: 31 millionths of the level.
        assert np.abs(heard - words).max() < 4e-5
    urls = {one.rsplit("/", 1)[1] for one in beside.requests[1:]}
    assert urls == {"0000.js", "0001.js", "0002.js"}
    assert all(one.startswith(made.beside.parent.as_uri()) for one in beside.requests)
    assert beside.complaints == []


def test_a_time_is_that_of_the_mix_whatever_silence_and_delay_there_are(beside: Opened) -> None:
    """The mix starts late, and every version has its own look-ahead and rotation; a tone at 17.3 s is the event."""
    at_s = beside.page.evaluate(f"window.listening.placeOf({EVENT_S})")
    for version in range(4):
        heard = np.abs(beside.heard(version, at_s=at_s - 0.2, seconds=0.4)).max(axis=1)
        onset = np.argmax(heard > 0.1 * heard.max()) / RATE + 0.02
        assert onset == pytest.approx(0.2, abs=0.003), NAMES[version]


def test_whole_songs_play_on_seek_and_repeat(beside: Opened) -> None:
    page = beside.page
    page.evaluate("window.listening.play(9.4)")
    beside.until("window.listening.position() > 10.2")  # over a join
    page.keyboard.press("2")
    assert beside.state()["chosen"] == 1
    assert beside.state()["running"]
    page.fill("#where", "20")
    beside.until("window.listening.position() > 20.1 && window.listening.position() < 22")
    page.check("#loop")
    page.click(".contents a[href='#times']")
    button = page.query_selector_all("button[data-time]")[-1]
    button.click()
    wanted = float(button.get_attribute("data-time") or "nan")
    beside.until("window.listening.state().running")
    assert page.evaluate("window.listening.mixTime()") == pytest.approx(wanted, abs=1.0)
    assert not page.query_selector_all("span[data-time]")  # every time can be pressed
    page.keyboard.press("Space")
    assert not beside.state()["running"]
    page.evaluate("window.listening.play(25.5)")
    page.uncheck("#loop")
    beside.until("!window.listening.state().running && window.listening.position() === 0")
    assert beside.complaints == []


def test_sound_that_is_missing_or_of_another_sheet_is_told(browser: Browser, made: Made, tmp_path: Path) -> None:
    shutil.copy(made.beside, tmp_path / "page.html")
    alone = Opened(browser, tmp_path / "page.html")
    alone.page.keyboard.press("Space")
    alone.until("document.getElementById('state').textContent.includes('not beside the page')")
    assert not alone.state()["running"]
    folder = made.beside.parent / "a #1 & song.sound"
    (tmp_path / folder.name).mkdir()
    text = (folder / "0000.js").read_text(encoding="utf-8")
    (tmp_path / folder.name / "0000.js").write_text(text.replace(sheet_hash(made.sheet), "other"), encoding="utf-8")
    alone.page.reload()
    alone.page.keyboard.press("Space")
    alone.until("document.getElementById('state').textContent.includes('not beside the page')")
    alone.page.close()


def test_a_folder_of_sound_is_whole_and_replaces_only_its_like(made: Made, tmp_path: Path) -> None:
    folder, key = tmp_path / "song.sound", sheet_hash(made.sheet)
    write_folder(folder, made.songs, key, force=False)
    assert sorted(p.name for p in folder.iterdir()) == ["0000.js", "0001.js", "0002.js"]
    frames = 0
    for number in range(3):
        call = re.fullmatch(r"takeSound\((.*)\);\n", (folder / f"{number:04d}.js").read_text(encoding="utf-8"))
        assert call is not None
        sheet, place, flacs = json.loads(f"[{call[1]}]")
        assert (sheet, place, len(flacs)) == (key, number, 4)
        (tmp_path / "one.flac").write_bytes(base64.b64decode(flacs[2]))
        frames += soundfile.info(tmp_path / "one.flac").frames
    assert frames == len(made.found.mix.samples)
    before = (folder / "0001.js").read_bytes()
    with pytest.raises(UsageError, match="exists already"):
        write_folder(folder, made.songs, key, force=False)
    write_folder(folder, made.songs, key, force=True)
    assert (folder / "0001.js").read_bytes() == before
    (folder / "mine.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(UsageError, match="never replaced"):
        write_folder(folder, made.songs, key, force=True)
    assert (folder / "mine.txt").read_text(encoding="utf-8") == "mine"
    (tmp_path / "one.flac").unlink()
    assert [p.name for p in tmp_path.iterdir()] == ["song.sound"]  # nothing half-written is left


def test_a_folder_of_sound_that_cannot_be_written_is_called_by_its_own_name(
    made: Made, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(self: Path, data: bytes) -> int:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(self))

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(AudioFileError, match=r"/song\.sound/0000\.js cannot be written \(No space left on device\)"):
        write_folder(tmp_path / "song.sound", made.songs, sheet_hash(made.sheet), force=False)
    assert list(tmp_path.iterdir()) == []


def test_the_command_puts_whole_songs_beside_the_page(
    browser: Browser, brief_mix: Path, small_plan: Path, command: Callable[..., Ran], tmp_path: Path
) -> None:
    asked = ("suggest", brief_mix, "--lufs", -10, "--config", small_plan, "--budget", 6, "-o", tmp_path)
    both = command(*asked, "--whole-songs", "--no-sound")
    assert both.code == 2
    assert "Drop one of them" in both.err
    ran = command(*asked, "--whole-songs")
    assert ran.code in (0, 3), ran.err
    opened = Opened(browser, tmp_path / "brief.sheet.html")
    opened.page.keyboard.press("Space")
    opened.until("window.listening.position() > 0.1")
    assert opened.complaints == []
    assert opened.requests[1].endswith("/brief.sheet.sound/0000.js")
    opened.page.close()
    again = command(*asked, "--whole-songs")
    assert again.code == 2
