"""The whole job on the desk, by a person's hands in Chromium: from a mix in a folder to files that were delivered."""

import json
import shutil
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pyebur128
import pytest
import soundfile
from playwright.sync_api import Browser

from autochain.audio.files import read_mix
from autochain.chain.settings import OUTPUT
from autochain.earlier.read import read_sheet
from autochain.render.sheet_chain import sheet_chain
from tests.desk.hearing import Desk, desk_process, found_at

CEILING_DBTP = -1.0
WANTED_LUFS = -10.0
LONG_S = 60.0  # a search of few trials, on a machine that is doing much else


@pytest.fixture(scope="module")
def folder(excerpts_mix: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    found = tmp_path_factory.mktemp("job")
    shutil.copy(excerpts_mix, found / "tollgate.wav")
    return found


@pytest.fixture
def desk(browser: Browser, folder: Path, small_plan: Path) -> Iterator[Desk]:
    with desk_process(folder, "--config", small_plan) as address:
        opened = Desk(browser, address, "tollgate.wav")
        yield opened
        opened.close()


def test_a_song_goes_from_its_mix_to_the_files_that_go_out(desk: Desk, folder: Path) -> None:
    page, masters = desk.page, folder / "masters"

    # The check has its verdict, and the mix can be heard while all else is still to come.
    page.wait_for_selector("#head .mix:has-text('LUFS')", timeout=1000 * LONG_S)
    page.keyboard.press("Space")
    desk.until("window.listen.position() > 0.2")
    page.keyboard.press("Space")

    # How loud, and settings for it.
    page.wait_for_selector("[data-stage=limiter]", timeout=1000 * LONG_S)
    page.fill("[data-aims] [data-parameter=lufs] input", f"{WANTED_LUFS}")
    with page.expect_response("**/do"):
        page.keyboard.press("Enter")
    page.click("[data-act=search]")
    page.wait_for_selector("[data-version=suggestion]", timeout=1000 * LONG_S)
    page.wait_for_selector(f"#head:has-text('Target reached: {WANTED_LUFS} LUFS')", timeout=1000 * LONG_S)
    sheet = read_sheet(masters / "tollgate.sheet.json")
    assert sheet.target.lufs == WANTED_LUFS

    # A knob, and back, and again.
    release = page.locator("[data-stage=limiter] [data-parameter=release_ms] input")
    before = release.input_value()
    release.fill("90")
    with page.expect_response("**/do"):
        release.press("Enter")
    page.locator("h1").click()
    page.keyboard.press("Control+z")
    page.wait_for_function(
        "was => document.querySelector('[data-stage=limiter] [data-parameter=release_ms] input').value === was",
        arg=before,
    )
    page.keyboard.press("Control+Shift+z")
    page.wait_for_function(
        "() => document.querySelector('[data-stage=limiter] [data-parameter=release_ms] input').value === '90'"
    )

    # The hand rests: the whole song is verified, and the estimate is no more.
    page.wait_for_selector(f"#head:has-text('Target reached: {WANTED_LUFS} LUFS at')", timeout=1000 * LONG_S)
    page.fill("#keep-name", "slow release")
    page.click("[data-keep] button")
    page.wait_for_selector("#kept:has-text('slow release')", timeout=1000 * LONG_S)
    kept = read_sheet(masters / "tollgate.versions" / "slow release.sheet.json")
    assert kept.stages["limiter"]["release_ms"] == 90.0

    # What is heard of it is what the chain renders.
    chain, settings = sheet_chain(kept)
    mix = read_mix(folder / "tollgate.wav")
    rendered = chain.render(mix.samples, mix.rate_hz, settings.without(OUTPUT)).samples
    page.locator("h1").click()
    hand = [one["key"] for one in page.evaluate("window.told")].index("hand") + 1
    page.keyboard.press(str(hand))
    page.keyboard.press("Space")
    desk.loud()
    desk.until("window.listen.position() > 0.5")
    desk.record()
    desk.taped(1.0)
    _, heard = desk.tape(longest=True)
    page.keyboard.press("Space")
    expected = rendered * np.float32(10.0 ** (desk.version("hand")["gain_db"] / 20.0))
    at = found_at(heard, expected)
    assert len(heard) > mix.rate_hz // 2
    # One product in float32 each way: a bit or two.
    assert np.abs(heard - expected[at : at + len(heard)]).max() < 1e-6

    # The files that go out, read by a meter from outside: libebur128, EBU R 128 and ITU-R BS.1770.
    page.check("[data-deliver] input[value=flac16]")
    page.click("[data-deliver] button")
    page.wait_for_selector("#out .report", timeout=1000 * LONG_S)
    delivered = json.loads((masters / "tollgate.delivery.json").read_bytes())
    names = [one["file"] for one in delivered["files"]]
    assert sorted(Path(name).suffix for name in names) == [".flac", ".wav"]
    for name in names:
        samples, rate_hz = soundfile.read(masters / name, dtype="float64", always_2d=True)
        state = pyebur128.R128State(samples.shape[1], rate_hz, pyebur128.MeasurementMode.MODE_I)
        state.add_frames(np.ascontiguousarray(samples).ravel(), len(samples))
        assert pyebur128.get_loudness_global(state) == pytest.approx(WANTED_LUFS, abs=0.1)
        assert 20.0 * np.log10(np.abs(samples).max()) <= CEILING_DBTP

    # Nothing was refused by the page's own policy, and nobody else was asked.
    assert [one for one in desk.complaints if "favicon" not in one] == []


def test_a_later_desk_goes_on_with_what_there_is(desk: Desk) -> None:
    page = desk.page
    page.wait_for_selector("[data-stage=limiter]", timeout=1000 * LONG_S)
    assert page.input_value("[data-stage=limiter] [data-parameter=release_ms] input") == "90"
    assert page.input_value("[data-aims] [data-parameter=lufs] input") == f"{WANTED_LUFS}"
    assert "slow release" in page.inner_text("#kept")
    page.keyboard.press("Control+z")
    page.wait_for_function(
        "() => document.querySelector('[data-stage=limiter] [data-parameter=release_ms] input').value !== '90'"
    )
