"""What the page of an album plays: three songs of unlike loudness, one of them in mono, by their sheets."""

import json
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pyebur128
import pytest
import soundfile
from playwright.sync_api import Browser

from autochain.album import listening
from autochain.album.joined import read_joined
from autochain.album.listening import LONGEST_PART_S, SHORTEST_PART_S, AlbumSound, album_sounds
from autochain.audio.files import read_mix, write_wav
from autochain.chain.output import without_ends
from autochain.demo import make_demo
from autochain.document.as_html import html
from autochain.document.blocks import Paragraph
from autochain.earlier.read import read_sheet
from autochain.page.player import player
from autochain.page.words16 import BUDGET_BYTES
from autochain.progress import silent
from autochain.render.sheet_chain import sheet_chain
from autochain.tasks.album import AlbumRequest, Gathered, album
from tests.page.browsing import Opened, sounds_of

RATE = 44100
NAMES = ("one", "two", "three")
GAINS = (1.0, 0.5, 0.3)


@pytest.fixture(scope="module")
def mixes(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("mixes")
    song = make_demo("brass_led_asymmetric", RATE, 20.0, 5)
    for k, (name, gain) in enumerate(zip(NAMES, GAINS, strict=True)):
        part = gain * song[k * 2 * RATE :][: 12 * RATE]
        write_wav(folder / f"{k} {name}.wav", part.mean(axis=1, keepdims=True) if k == 1 else part, RATE, 1)
    return folder


@pytest.fixture(scope="module")
def made(mixes: Path, small_plan: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Gathered]:
    out = tmp_path_factory.mktemp("album")
    asked = AlbumRequest(
        sources=[mixes], out=out, levels="relations", lufs=-12.0, config=small_plan, budget=6, jobs=1
    )
    return out, album(asked)


def loudness(samples: np.ndarray) -> float:
    state = pyebur128.R128State(samples.shape[1], RATE, pyebur128.MeasurementMode.MODE_I)
    state.add_frames(np.ascontiguousarray(samples, dtype=np.float64).reshape(-1), len(samples))
    return float(pyebur128.get_loudness_global(state))


def test_songs_play_as_their_sheets_render_and_as_they_stand_on_the_album(
    made: tuple[Path, Gathered], mixes: Path
) -> None:
    out, gathered = made
    facts, sounds = sounds_of(out / "album.html")
    assert [window["song"] for window in facts["windows"]] == [f"{k} {name}" for k, name in enumerate(NAMES)]
    assert gathered.heard is not None
    masters = []
    for (track, _), window in zip(gathered.album.tracks, facts["windows"], strict=True):
        mix = read_mix(track.paths[0])
        chain, settings = sheet_chain(read_sheet(out / f"{track.stem}.sheet.json"))
        whole = chain.render(mix.samples, RATE, without_ends(settings)).samples
        here, there = (round((at + 0.5) * RATE) for at in (window["at"], window["start"]))
        frames = round((window["stop"] - window["start"] - 1.0) * RATE)
        played = {name: sound[here : here + frames] for name, sound in sounds.items()}
        gain = 10.0 ** (facts["sounds"][1]["gain_db"] / 20.0)
        # 16 bits with dither, and what detectors that began 5 s before still differ by: a limit of this project.
        assert np.abs(played["master"] - gain * whole[there : there + frames]).max() < 2.0 * 2.0**-15 + 1e-3
        # The mix is the mix, turned down to what its master is: libebur128 (BS.1770) reads both alike.
        own = np.broadcast_to(mix.samples[there : there + frames].astype(np.float64), played["mix"].shape)
        turned = float((own * played["mix"]).sum() / (own * own).sum())
        assert turned <= 1.0 + 1e-5  # dither is no gain
        assert np.abs(played["mix"] - turned * own).max() < 2.0 * 2.0**-15
        span = slice(round(window["at"] * RATE), round((window["at"] + window["stop"] - window["start"]) * RATE))
        levels = {name: loudness(sound[span]) for name, sound in sounds.items()}
        assert levels["mix"] == pytest.approx(levels["master"], abs=0.1)
        masters.append(levels["master"] - loudness(np.broadcast_to(
            whole[round(window["start"] * RATE) : round(window["stop"] * RATE)], (span.stop - span.start, 2)
        )))  # fmt: skip
    # One gain for all masters: as on the album.
    assert max(masters) - min(masters) < 0.05
    assert max(one["gain_db"] for one in facts["sounds"]) <= 0.0


def test_the_loudest_part_is_what_plays(made: tuple[Path, Gathered]) -> None:
    heard = made[1].heard
    assert heard is not None
    for track, window in zip(heard.tracks, heard.listening.windows, strict=True):
        mix, _ = read_joined(track.paths)
        starts = range(0, len(mix.samples) - 3 * RATE, RATE // 10)
        loudest = max(starts, key=lambda first: float((mix.samples[first : first + 3 * RATE] ** 2).sum()))
        assert window.start_s - 0.5 <= loudest / RATE <= window.stop_s - SHORTEST_PART_S + 0.5
        assert window.stop_s - window.start_s == pytest.approx(LONGEST_PART_S, abs=0.001)


@pytest.mark.parametrize("start_s", [0.0, 3.1341, 3.1399])
def test_a_time_in_the_table_is_held_by_its_song(made: tuple[Path, Gathered], start_s: float) -> None:
    heard = made[1].heard
    assert heard is not None
    window = replace(heard.listening.windows[0], start_s=start_s, stop_s=start_s + 8.0)
    moved = replace(heard, listening=replace(heard.listening, windows=(window,)))
    told = html([Paragraph((moved.loudest_part(heard.tracks[0]),))])  # type: ignore[arg-type]
    time_s = float(re.search(r'data-time="([^"]*)"', "".join(told))[1])  # type: ignore[index]
    assert start_s <= time_s <= start_s + 0.01


def test_a_title_that_turns_the_line_is_spelt_out(made: tuple[Path, Gathered]) -> None:
    heard = made[1].heard
    assert heard is not None
    window = replace(heard.listening.windows[0], song="</script>\u202egnp")
    page = "".join(html(player(replace(heard.listening, windows=(window,)), "", "")))
    assert page.count("</script>") == 1
    facts = json.loads(re.search(r'id="sound">(.*?)</script>', page, re.DOTALL)[1])  # type: ignore[index]
    assert facts["windows"][0]["song"] == "</script>\\u202egnp"


def test_of_little_room_those_that_ask_for_a_look_play_first(
    made: tuple[Path, Gathered], monkeypatch: pytest.MonkeyPatch
) -> None:
    out, gathered = made
    size = sum(map(len, gathered.heard.listening.block(0)))  # type: ignore[union-attr]
    assert size < BUDGET_BYTES
    tracks = list(gathered.album.tracks)
    track, record = tracks[2]
    tracks[2] = track, record.model_copy(update={"ready": "revisit"})  # type: ignore[union-attr]
    monkeypatch.setattr(listening, "BUDGET_BYTES", size // 4)  # two of three at 3 of 8 s
    heard = album_sounds(replace(gathered.album, tracks=tuple(tracks)), out, silent)
    assert isinstance(heard, AlbumSound)
    assert track in heard.tracks
    assert len(heard.tracks) < 3
    assert sum(map(len, heard.listening.block(0))) <= 1.1 * size // 4


def test_songs_are_switched_by_list_key_and_time(browser: Browser, made: tuple[Path, Gathered]) -> None:
    opened = Opened(browser, made[0] / "album.html")
    page = opened.page
    assert opened.complaints == []
    assert opened.requests == [(made[0] / "album.html").as_uri()]
    assert page.evaluate("[...document.getElementById('songs').options].map(o => o.text)") == [
        f"{k} {name}" for k, name in enumerate(NAMES)
    ]
    windows = page.evaluate("window.listening.facts.windows")
    page.keyboard.press("n")
    assert page.evaluate("window.listening.position()") == pytest.approx(windows[1]["at"])
    assert page.input_value("#songs") == "1"
    page.select_option("#songs", "2")
    assert page.evaluate("window.listening.mixTime()") == pytest.approx(windows[2]["start"], abs=0.01)
    page.evaluate("document.activeElement.blur()")
    page.keyboard.press("b")
    page.keyboard.press("b")
    page.keyboard.press("b")  # there is none before the first
    assert page.input_value("#songs") == "0"
    page.keyboard.press("2")
    assert opened.state()["chosen"] == 1
    times = page.query_selector_all(".tracks button.time")
    assert len(times) == 3
    times[1].click()
    opened.until("window.listening.state().running")
    assert page.input_value("#songs") == "1"
    assert page.evaluate("window.listening.mixTime()") == pytest.approx(windows[1]["start"], abs=0.5)
    page.evaluate("window.listening.stop()")
    difference, mix, master = (opened.heard(k, at_s=windows[1]["at"] + 1.0) for k in (2, 0, 1))
    assert np.abs(difference - 10.0 ** (-12.0 / 20.0) * (master - mix)).max() < 1e-5
    assert opened.complaints == []
    page.close()


def test_without_sound_the_page_is_small_and_the_rest_the_same(
    made: tuple[Path, Gathered], mixes: Path, small_plan: Path, command: Callable[..., Any]
) -> None:
    out = made[0]
    before = {path.name: path.read_bytes() for path in out.glob("album.*")}
    asked = ("--levels", "relations", "--lufs", -12, "--config", small_plan, "--budget", 6, "--jobs", 1, "--no-log")
    ran = command("album", mixes, "-o", out, *asked, "--resume", "--no-sound")
    assert ran.code in (0, 3), ran.err
    assert "0 of 3 tracks searched" in ran.err
    assert len((out / "album.html").read_bytes()) < 100_000
    assert "<script" not in (out / "album.html").read_text(encoding="utf-8")
    assert (out / "album.json").read_bytes() == before["album.json"]
    command("album", mixes, "-o", out, *asked, "--resume")
    assert (out / "album.html").read_bytes() == before["album.html"]


def test_a_song_whose_mix_is_gone_has_no_sound_and_the_others_play(
    made: tuple[Path, Gathered], mixes: Path, tmp_path: Path
) -> None:
    out, gathered = made
    kept = (mixes / "1 two.wav").read_bytes()
    soundfile.write(mixes / "1 two.wav", np.zeros((RATE, 2)), RATE)
    try:
        heard = album_sounds(gathered.album, out, silent)
    finally:
        (mixes / "1 two.wav").write_bytes(kept)
    assert heard is not None
    assert [window.song for window in heard.listening.windows] == ["0 one", "2 three"]
