"""The page of one song in Chromium: what it shows, how a setting is turned, and what a fragment leaves alone."""

import json
import re
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any, Literal

import numpy as np
import pytest
from playwright.sync_api import Browser

from autochain.desk.facts import SongFacts
from autochain.desk.song_view import PARTS, fragment
from autochain.desk.versions import SongVersion
from autochain.sheet import Sheet
from tests.conftest import Suggested
from tests.desk.page_of_facts import SONG, Answer, Seen, facts_from, seen


@pytest.fixture(scope="module")
def facts(demo_run: Callable[[str], Suggested]) -> SongFacts:
    run = demo_run("dense_rock")
    sheet = Sheet.model_validate_json((run.preview.parent / f"{run.mix.stem}.sheet.json").read_text(encoding="utf-8"))
    return facts_from(sheet, run.mix.parent)


@pytest.fixture
def opened(browser: Browser, facts: SongFacts) -> Iterator[Seen]:
    with seen(browser, facts) as found:
        found.of.answer = found.of.turned
        yield found


def turned(opened: Seen) -> list[tuple[str, Any]]:
    """Turns that were asked for, as setting and value."""
    return [(f"{one['stage']}.{one['parameter']}", one["value"]) for one in opened.of.asked if one["action"] == "turn"]


def test_every_part_is_there_in_the_order_of_work_and_nothing_is_refused(opened: Seen) -> None:
    ids = opened.page.evaluate("[...document.querySelectorAll('.one-song > [id]')].map((part) => part.id)")
    assert [one for one in ids if one != "listen"] == list(PARTS)
    assert ids.index("listen") == ids.index("choices") - 1  # where one listens without names, and what that tells
    top_of = "(ids) => ids.map((id) => document.getElementById(id).getBoundingClientRect().top)"
    tops = opened.page.evaluate(top_of, ids)
    assert tops == sorted(tops)  # what comes first for the keys stands first on the page
    assert opened.complaints == []
    assert all(address.startswith((opened.of.address, "data:")) for address in opened.requests)


@pytest.mark.parametrize(("width", "height"), [(1400, 900), (1280, 720)])
def test_the_first_screen_answers_what_one_asks_first(opened: Seen, width: int, height: int) -> None:
    """Does it reach the target, what does it cost, what is set, where to listen, and the player."""
    opened.page.set_viewport_size({"width": width, "height": height})
    lead = opened.page.inner_text("#head .lead")
    assert "Target reached: " in lead
    assert "Score " in lead
    assert re.search(r"Beside it: suggestion [\d.]+, limiter alone [\d.]+\.", opened.page.inner_text("#head"))
    found = opened.page.evaluate(
        """() => {
          const foot = document.querySelector("#player").getBoundingClientRect();
          const wanted = ["#head .lead", "#head .where .time", "#head .aims input", ".stage .field input"];
          const parts = [...wanted, ".stage .time"].map((what) => {
            const box = document.querySelector(what).getBoundingClientRect();
            return [what, box.top >= 0 && box.top + 20 <= foot.top];
          });
          return [...parts, ["#player", foot.bottom <= innerHeight + 1]];
        }"""
    )
    assert [what for what, inside in found if not inside] == []


def test_an_estimate_is_marked_until_the_song_was_verified(opened: Seen, facts: SongFacts) -> None:
    assert "Target reached: " in opened.page.inner_text("#head .lead")
    opened.of.show(replace(facts, hand=replace(facts.hand, exact=False)), ("head", "chain", "costs"))
    opened.until(lambda: "About on target: about" in opened.page.inner_text("#head .lead"))
    assert "Score about" in opened.page.inner_text("#head .lead")
    assert "\nabout, at " in opened.page.inner_text(".stage .meter:has(.time)")
    assert "about" in opened.page.inner_text("#costs .sum")


@pytest.mark.parametrize(
    ("keys", "expected"),
    [
        (["ArrowUp"], 61.0),
        (["ArrowDown"], 59.0),
        (["Shift+ArrowUp"], 70.0),
        # Two digits, as a hand sets a logarithmic setting: 60 + 40 steps of 1 to 100, then steps of 10.
        (["Shift+ArrowUp"] * 5, 200.0),
        (["Control+End"], 1000.0),
        (["Control+Home"], 2.0),
    ],
)
def test_arrow_keys_turn_by_the_steps_of_the_setting(
    opened: Seen, facts: SongFacts, keys: list[str], expected: float
) -> None:
    set_to(opened, facts, 60.0)
    opened.page.focus("#limiter-release_ms")
    for key in keys:
        opened.page.keyboard.press(key)
    opened.until(lambda: turned(opened)[-1:] == [("limiter.release_ms", expected)])
    assert float(opened.value("limiter-release_ms")) == expected


def set_to(opened: Seen, facts: SongFacts, release_ms: float) -> None:
    settings = facts.settings.with_("limiter", release_ms=release_ms)
    opened.of.show(replace(facts, settings=settings), ("chain",))
    opened.until(lambda: opened.value("limiter-release_ms") == f"{release_ms:g}")


def test_a_step_is_what_the_parameter_rounds_to(opened: Seen, facts: SongFacts) -> None:
    """Every value that keys lead to is one that the parameter itself calls settable."""
    parameter = facts.chain.stages["limiter"].parameter("release_ms")
    set_to(opened, facts, 3.0)
    opened.page.focus("#limiter-release_ms")
    for _ in range(120):
        opened.page.keyboard.press("ArrowUp")
    opened.until(lambda: float(opened.value("limiter-release_ms")) > 100.0)
    opened.until(lambda: turned(opened)[-1][1] == float(opened.value("limiter-release_ms")))
    values = [value for _, value in turned(opened)]
    assert values == sorted(values)
    assert [value for value in values if parameter.rounded(value) != value] == []


def test_typed_values_go_as_typed_and_escape_goes_back(opened: Seen, facts: SongFacts) -> None:
    set_to(opened, facts, 60.0)
    opened.page.fill("#limiter-release_ms", "87,5")
    opened.page.keyboard.press("Enter")
    opened.until(lambda: turned(opened) == [("limiter.release_ms", 87.5)])
    opened.page.fill("#limiter-release_ms", "4")
    opened.page.keyboard.press("Escape")
    assert opened.value("limiter-release_ms") == "87.5"
    assert len(turned(opened)) == 1


def test_escape_goes_back_to_what_the_desk_has_where_it_refused(opened: Seen, facts: SongFacts) -> None:
    set_to(opened, facts, 60.0)
    opened.of.answer = lambda asked: {"error": "not that."}
    opened.page.fill("#limiter-release_ms", "5000")
    opened.page.keyboard.press("Enter")
    opened.until(lambda: "not that" in opened.page.inner_text(".field[data-key=limiter-release_ms] .wrong"))
    opened.page.keyboard.press("Escape")
    assert opened.value("limiter-release_ms") == "60"
    assert opened.page.get_attribute("#limiter-release_ms", "aria-invalid") is None


def test_what_is_no_number_is_said_beside_the_field_and_not_sent(opened: Seen) -> None:
    opened.page.fill("#limiter-release_ms", "fast")
    opened.page.keyboard.press("Enter")
    assert '"fast" is not a number' in opened.page.inner_text(".field[data-key=limiter-release_ms] .wrong")
    assert opened.page.get_attribute("#limiter-release_ms", "aria-invalid") == "true"
    assert opened.of.asked == []


def test_what_the_desk_refuses_is_said_beside_the_field_and_stays_to_be_mended(
    opened: Seen, facts: SongFacts
) -> None:
    opened.of.answer = lambda asked: {"error": "limiter.release_ms is 5000 ms; it must be 2 to 1000 ms."}
    opened.page.fill("#limiter-release_ms", "5000")
    opened.page.keyboard.press("Enter")
    line = ".field[data-key=limiter-release_ms] .wrong"
    opened.until(lambda: "must be 2 to 1000" in opened.page.inner_text(line))
    opened.of.show(facts, PARTS)  # parts that come meanwhile take neither the words nor the typed text away
    opened.page.wait_for_timeout(200)
    assert opened.value("limiter-release_ms") == "5000"
    assert "must be 2 to 1000" in opened.page.inner_text(line)
    opened.of.answer = opened.of.turned
    opened.page.fill("#limiter-release_ms", "50")
    opened.page.keyboard.press("Enter")
    opened.until(lambda: not opened.page.inner_text(line))
    assert opened.page.get_attribute("#limiter-release_ms", "aria-invalid") is None


def test_a_line_is_dragged_a_step_every_four_pixels_and_comes_back(opened: Seen, facts: SongFacts) -> None:
    set_to(opened, facts, 60.0)
    drag(opened, ".field[data-key=limiter-release_ms] .range", [40, 80, 0])
    values = [value for _, value in turned(opened)]
    assert values[-1] == 60.0
    # The newest wins: not every step has to be asked for, but the furthest was reached: 80 px are 20 steps.
    assert max(values) <= 80.0
    assert opened.value("limiter-release_ms") == "60"


def test_with_shift_a_drag_has_ten_steps_for_one(opened: Seen, facts: SongFacts) -> None:
    set_to(opened, facts, 60.0)
    opened.page.keyboard.down("Shift")
    drag(opened, ".field[data-key=limiter-release_ms] label", [8])
    opened.page.keyboard.up("Shift")
    opened.until(lambda: turned(opened)[-1][1] == 80.0)  # 2 times 10 steps of 1


def drag(opened: Seen, what: str, by: list[int]) -> None:
    opened.page.locator(what).scroll_into_view_if_needed()
    box = opened.page.locator(what).bounding_box()
    assert box is not None
    x, y = box["x"] + 5.0, box["y"] + box["height"] / 2.0
    opened.page.mouse.move(x, y)
    opened.page.mouse.down()
    for to in by:
        opened.page.mouse.move(x + to, y, steps=8)
    opened.page.mouse.up()
    opened.page.wait_for_timeout(150)


def test_the_wheel_turns_the_field_one_is_in_and_scrolls_elsewhere(opened: Seen, facts: SongFacts) -> None:
    set_to(opened, facts, 60.0)
    opened.page.locator("#limiter-release_ms").scroll_into_view_if_needed()
    opened.page.hover("#limiter-release_ms")
    opened.page.mouse.wheel(0, -100)
    opened.page.wait_for_timeout(150)
    assert turned(opened) == []
    opened.page.focus("#limiter-release_ms")
    opened.page.hover("#limiter-release_ms")
    opened.page.mouse.wheel(0, -100)
    opened.until(lambda: turned(opened) == [("limiter.release_ms", 61.0)])


def test_of_many_turns_one_is_under_way_and_only_the_newest_waits(opened: Seen, facts: SongFacts) -> None:
    set_to(opened, facts, 60.0)

    def slow(asked: Answer) -> Answer:
        time.sleep(0.4)
        return opened.of.turned(asked)

    opened.of.answer = slow
    opened.page.focus("#limiter-release_ms")
    for _ in range(9):
        opened.page.keyboard.press("ArrowUp")
    opened.page.focus("#limiter-lookahead_ms")
    before = float(opened.value("limiter-lookahead_ms"))
    opened.page.keyboard.press("ArrowUp")
    assert opened.value("limiter-release_ms") == "69"  # seen at once
    opened.until(lambda: len(turned(opened)) == 3)
    opened.page.wait_for_timeout(700)
    assert turned(opened) == [
        ("limiter.release_ms", 61.0), ("limiter.release_ms", 69.0), ("limiter.lookahead_ms", round(before + 0.1, 1))
    ]  # fmt: skip
    assert opened.value("limiter-release_ms") == "69"


def test_a_part_from_before_a_turn_does_not_take_it_back(opened: Seen, facts: SongFacts) -> None:
    """Parts come by another way than answers, and may be overtaken."""
    opened.of.answer = lambda asked: {"fragments": {}, "place": {"revision": facts.revision + 5}}
    set_to(opened, facts, 60.0)
    opened.page.focus("#limiter-release_ms")
    opened.page.keyboard.press("ArrowUp")
    opened.until(lambda: len(turned(opened)) == 1)
    settings = facts.settings.with_("limiter", release_ms=60.0, lookahead_ms=4.4)
    opened.of.show(replace(facts, settings=settings, revision=facts.revision + 4), ("chain",))
    opened.until(lambda: opened.value("limiter-lookahead_ms") == "4.4")
    assert opened.value("limiter-release_ms") == "61"
    settings = facts.settings.with_("limiter", release_ms=62.0)
    opened.of.show(replace(facts, settings=settings, revision=facts.revision + 5), ("chain",))
    opened.until(lambda: opened.value("limiter-release_ms") == "62")


def test_a_fragment_keeps_focus_caret_open_parts_and_scroll(opened: Seen, facts: SongFacts) -> None:
    page = opened.page
    page.evaluate("document.querySelectorAll('#chain details').forEach((one) => (one.open = true))")
    page.focus("#keep-name")
    page.fill("#keep-name", "softer chorus")
    page.evaluate("document.querySelector('#keep-name').setSelectionRange(3, 5)")
    page.evaluate("scrollTo(0, 500)")
    page.evaluate("['#chain', '#limiter-release_ms'].forEach((one) => (document.querySelector(one).marked = 1))")
    moved = replace(facts, settings=facts.settings.with_("limiter", release_ms=333.0), undo=True, redo=True)
    opened.of.show(moved, PARTS)
    opened.until(lambda: opened.value("limiter-release_ms") == "333")
    state = page.evaluate(
        """() => {
          const { id, value, selectionStart, selectionEnd } = document.activeElement;
          const [chain, field] = ["#chain", "#limiter-release_ms"].map((one) => document.querySelector(one).marked);
          const opened = [...document.querySelectorAll("#chain details")].every((one) => one.open);
          return [id, value, selectionStart, selectionEnd, scrollY, chain, field, opened];
        }"""
    )
    assert state == ["keep-name", "softer chorus", 3, 5, 500, 1, 1, True]


def test_what_is_being_typed_is_not_replaced(opened: Seen, facts: SongFacts) -> None:
    opened.page.focus("#limiter-release_ms")
    opened.page.keyboard.type("12")
    moved = replace(facts, settings=facts.settings.with_("limiter", release_ms=333.0, lookahead_ms=4.4))
    opened.of.show(moved, ("chain",))
    opened.until(lambda: opened.value("limiter-lookahead_ms") == "4.4")
    assert opened.value("limiter-release_ms") == "12"


def test_stages_come_and_go_where_they_belong(opened: Seen, facts: SongFacts) -> None:
    def stages() -> list[str]:
        all_of = opened.page.locator(".stages > li")
        return [all_of.nth(k).get_attribute("data-stage") or "" for k in range(all_of.count())]

    assert stages() == list(facts.settings)
    missing = next(name for name in facts.chain.stages if name not in facts.settings)
    opened.page.click(f".others [data-stage={missing}]")
    opened.until(lambda: bool(opened.of.asked))
    assert {k: opened.of.asked[-1][k] for k in ("action", "stage", "on")} == {
        "action": "switch", "stage": missing, "on": True
    }  # fmt: skip
    settings = facts.chain.checked({**facts.settings.plain(), missing: {}})
    opened.of.show(replace(facts, settings=settings), ("chain",))
    opened.until(lambda: missing in stages())
    assert stages() == [name for name in facts.chain.stages if name in settings]
    opened.page.click(f".stage[data-stage={missing}] [data-switch=off]")
    opened.until(lambda: opened.of.asked[-1]["on"] is False)
    # What holds the ceiling, and the drive, cannot be left out.
    assert opened.page.locator(".stage[data-stage=limiter] [data-switch]").count() == 0


def test_a_stage_of_bands_gets_another_band(opened: Seen, facts: SongFacts) -> None:
    """One more band is one more turn, at a value that changes nothing yet."""
    opened.of.answer = lambda asked: {"fragments": {}}
    settings = facts.chain.checked({**facts.settings.plain(), "equaliser": {"band1_gain_db": -2.0}, "dynamic_bell": {}})
    opened.of.show(replace(facts, settings=settings), ("chain",))
    opened.until(lambda: opened.page.locator("[data-band]").count() == 2)
    opened.page.click("[data-stage=equaliser] [data-band]")
    opened.page.click("[data-stage=dynamic_bell] [data-band]")
    opened.until(lambda: len(turned(opened)) == 2)
    assert turned(opened) == [("equaliser.band2_gain_db", 0), ("dynamic_bell.band1_range_db", 0)]
    more = facts.chain.stages["equaliser"].checked({"band1_gain_db": -2.0, "band2_gain_db": 0.0})
    opened.of.show(replace(facts, settings=settings.with_("equaliser", more)), ("chain",))
    opened.until(lambda: opened.page.locator("[data-stage=equaliser] fieldset").count() == 2)
    assert opened.value("equaliser-band2_freq_hz") == "1000"


def test_a_setting_is_locked_and_let_go(opened: Seen, facts: SongFacts) -> None:
    opened.of.answer = lambda asked: {"fragments": {}}
    lock = ".field[data-key=limiter-release_ms] [data-lock]"
    opened.page.click(lock)
    opened.until(lambda: bool(opened.of.asked))
    assert opened.of.asked == [{"action": "lock", "stage": "limiter", "parameter": "release_ms", "on": True}]
    opened.of.show(replace(facts, locks=frozenset({("limiter", "release_ms")})), ("chain",))
    opened.until(lambda: opened.page.inner_text(lock) == "locked")
    opened.page.click(lock)
    opened.until(lambda: len(opened.of.asked) == 2)
    assert opened.of.asked[-1]["on"] is False


def test_undo_and_redo_have_keys(opened: Seen) -> None:
    opened.of.answer = lambda asked: {"fragments": {}}
    for keys in ("Control+z", "Control+Shift+Z", "Control+y"):
        opened.page.keyboard.press(keys)
    opened.until(lambda: len(opened.of.asked) == 3)
    assert [one["action"] for one in opened.of.asked] == ["undo", "redo", "redo"]
    opened.page.focus("#keep-name")
    opened.page.keyboard.type("x")
    opened.page.keyboard.press("Control+z")  # what is typed has an undo of its own
    opened.page.wait_for_timeout(100)
    assert len(opened.of.asked) == 3


def test_the_list_of_keys_opens_and_closes_by_keys(opened: Seen) -> None:
    opened.page.keyboard.press("?")
    assert opened.page.evaluate("document.querySelector('#keys').open")
    opened.page.keyboard.press("Escape")
    assert not opened.page.evaluate("document.querySelector('#keys').open")


def test_a_name_may_hold_what_is_a_key_elsewhere(opened: Seen) -> None:
    opened.page.fill("#keep-name", "")
    opened.page.focus("#keep-name")
    opened.page.keyboard.type("louder? 2 r")
    assert opened.page.input_value("#keep-name") == "louder? 2 r"
    assert not opened.page.evaluate("document.querySelector('#keys').open")


def test_turning_adds_nothing_to_the_page(opened: Seen, facts: SongFacts) -> None:
    """What a page holds after many turns is what it held before."""
    count = "document.querySelectorAll('*').length"
    set_to(opened, facts, 60.0)
    before = opened.page.evaluate(count)
    opened.page.focus("#limiter-release_ms")
    for _ in range(20):
        opened.page.keyboard.press("ArrowUp")
        opened.page.keyboard.press("ArrowDown")
    opened.until(lambda: turned(opened)[-1][1] == 60.0 and opened.value("limiter-release_ms") == "60")
    assert opened.page.evaluate(count) == before


def test_a_point_of_the_curve_is_a_button_for_pointer_and_keys(opened: Seen, facts: SongFacts) -> None:
    opened.of.answer = lambda asked: {"fragments": {}}
    opened.page.click("[data-point='-10'] .dot")
    opened.page.focus("[data-point='-9']")
    opened.page.keyboard.press("ArrowRight")
    opened.page.keyboard.press("Enter")
    opened.until(lambda: len(opened.of.asked) == 2)
    assert [(one["action"], one["lufs"]) for one in opened.of.asked] == [("point", -10), ("point", -8)]
    name = opened.page.get_attribute("[data-point='-10']", "aria-label")
    assert name is not None
    assert name.startswith("-10.0 LUFS, score ")


def test_the_curve_fills_in_while_it_is_found(browser: Browser, facts: SongFacts) -> None:
    assert facts.curve is not None
    with seen(browser, replace(facts, curve=None)) as opened:
        button = opened.page.locator("#loud [data-act=curve]")
        assert "about 3 minutes" in opened.page.inner_text("#loud")
        button.click()
        opened.until(lambda: opened.of.asked == [{"action": "curve"}])
        points = [replace(one, score=None, met=None) if k % 2 else one for k, one in enumerate(facts.curve.points)]
        opened.of.show(replace(facts, curve=replace(facts.curve, points=tuple(points), complete=False)), ("loud",))
        opened.until(lambda: opened.page.locator("[data-point]").count() == len(points) // 2)
        opened.of.show(facts, ("loud",))
        opened.until(lambda: opened.page.locator("[data-point]").count() == len(points))
        assert button.inner_text() == "find them again"
        assert "ceiling" not in opened.page.inner_text("#loud")
        opened.of.show(replace(facts, curve=replace(facts.curve, running=True)), ("loud",))
        opened.until(lambda: button.count() == 0)


def test_a_curve_of_another_ceiling_says_so_and_can_be_found_again(opened: Seen, facts: SongFacts) -> None:
    opened.of.answer = lambda asked: {"fragments": {}}
    opened.of.show(replace(facts, ceiling_dbtp=facts.ceiling_dbtp + 0.5), ("loud",))
    opened.until(lambda: "a ceiling of -1.0 dBTP; yours is -0.5 dBTP now" in opened.page.inner_text("#loud"))
    opened.page.click("#loud [data-act=curve]")
    opened.until(lambda: opened.of.asked == [{"action": "curve"}])
    opened.of.show(facts, ("loud",))


def test_a_version_is_renamed(opened: Seen, facts: SongFacts) -> None:
    opened.of.answer = lambda asked: {"fragments": {}}
    assert facts.suggestion is not None
    opened.of.show(replace(facts, kept=(replace(facts.suggestion, key="kept.1", name="soft"),)), ("kept",))
    opened.page.click("[data-version='kept.1'] summary")
    opened.page.fill("[data-rename] input", "softer ")
    opened.page.click("[data-rename] button")
    opened.until(lambda: opened.of.asked == [{"action": "rename", "version": "kept.1", "name": "softer"}])
    opened.of.show(replace(facts, kept=(replace(facts.suggestion, key="kept.2", name="softer"),)), ("kept",))
    opened.until(lambda: opened.page.inner_text("#kept li bdi") == "softer")
    assert not opened.page.is_visible("[data-rename]")


def test_versions_are_kept_taken_and_dropped(opened: Seen, facts: SongFacts) -> None:
    opened.of.answer = lambda asked: {"fragments": {}}
    assert facts.suggestion is not None
    opened.of.show(replace(facts, kept=(replace(facts.suggestion, key="kept.1", name="soft <b>"),)), ("kept",))
    opened.until(lambda: opened.page.locator("#kept li").count() == 3)
    assert opened.page.inner_text("#kept li bdi") == "soft <b>"
    opened.page.fill("#keep-name", "louder")
    opened.page.click("[data-keep] button")
    opened.page.click("[data-version='kept.1'] [data-act=take]")
    drop = opened.page.locator("[data-version='kept.1'] [data-act=drop]")
    drop.click()
    assert drop.inner_text() == "delete it for good"  # nothing brings it back: asked once more
    assert len(opened.of.asked) == 2
    drop.click()
    opened.until(lambda: len(opened.of.asked) == 3)
    assert opened.of.asked == [
        {"action": "keep", "name": "louder"}, {"action": "take", "version": "kept.1", "at_s": 0},
        {"action": "drop", "version": "kept.1"},
    ]  # fmt: skip


def test_formats_are_ticked_and_go_out(opened: Seen) -> None:
    opened.of.answer = lambda asked: {"fragments": {}}
    opened.page.check("#out [value=mp3]")
    opened.page.select_option("#out-rate", "48000")
    opened.page.click("[data-deliver] button")
    opened.until(lambda: bool(opened.of.asked))
    assert opened.of.asked == [{"action": "deliver", "formats": ["mp3", "wav24@48000"], "replace": False}]


def test_files_are_chosen_for_what_they_are(opened: Seen, tmp_path: Path) -> None:
    for name in ("bounce", "reference"):
        (tmp_path / f"{name}.wav").write_bytes(name.encode())
        opened.page.set_input_files(f"[data-upload={name}]", tmp_path / f"{name}.wav")
    opened.until(lambda: len(opened.of.uploads) == 2)
    assert opened.of.uploads == [
        (f"/files/{name}.wav?as={name}&song={SONG}", name.encode()) for name in ("bounce", "reference")
    ]


def test_progress_is_shown_and_work_is_stopped_by_its_number(opened: Seen) -> None:
    opened.of.answer = lambda asked: {"fragments": {}}
    opened.of.tell("work", job=7, words="searching", share=0.25, song=SONG, waiting=[], left=0)
    opened.until(lambda: opened.page.inner_text("#work-words") == "searching 25 %")
    assert opened.page.evaluate("document.querySelector('#work-share').value") == 0.25
    opened.page.click("#stop")
    opened.until(lambda: opened.of.asked == [{"action": "stop", "job": 7}])
    opened.of.tell("work", job=None, words="", share=0, song="", waiting=[], left=0)
    opened.until(lambda: not opened.page.is_visible("#work"))


def test_each_job_that_waits_is_stopped_by_itself(opened: Seen) -> None:
    opened.of.answer = lambda asked: {"fragments": {}}
    waiting = [
        {"job": 8, "words": "finding what each loudness costs", "song": SONG, "name": "a.wav"},
        {"job": 9, "words": "searching", "song": "another", "name": "b.wav"},
    ]
    opened.of.tell("work", job=7, words="searching", share=0.0, song="another", name="b.wav", waiting=waiting, left=0)
    opened.until(lambda: opened.page.inner_text("#waiting summary") == "2 waiting")
    assert opened.page.inner_text("#work-words") == "b.wav: searching …"  # of another song: which
    opened.page.click("#waiting summary")
    assert opened.page.inner_text("#waiting ul").split("\n") == [
        "finding what each loudness costs stop", "b.wav: searching stop",
    ]  # fmt: skip
    opened.page.click("#waiting li:nth-child(2) button")
    opened.until(lambda: opened.of.asked == [{"action": "stop", "job": 9}])
    opened.of.tell("work", job=7, words="searching", share=0.5, song=SONG, waiting=waiting[:1], left=0)
    opened.until(lambda: opened.page.locator("#waiting li").count() == 1)
    opened.of.tell("work", job=None, words="", share=0, song="", waiting=[], left=0)
    opened.until(lambda: not opened.page.is_visible("#waiting"))


def test_the_many_of_a_kind_have_one_button_and_a_list(opened: Seen) -> None:
    page = opened.page

    def version(key: str, name: str, lufs: float) -> dict[str, Any]:
        return SongVersion(key=key, name=name, revision=1, lufs=lufs, gain_db=0.0, exact=True, score=1.0).plain()

    own = [version(key, key, -9.0) for key in ("mix", "hand", "suggestion")]
    kept = [version(f"kept.{k}", f"take {k}", -9.0) for k in range(3)]
    points = [version(f"point.{-k}", f"at {-k}.0 LUFS", -float(k)) for k in range(14, 5, -1)]
    opened.of.tell("versions", song=SONG, versions=[*own, *points, *kept])
    opened.until(lambda: page.locator("#switches button").count() == 7)
    names = page.locator("#switches button").all_inner_texts()
    assert names[2:] == ["3 suggestion", "4 take 0", "5 take 1", "6 take 2", "7 curve"]
    row = page.locator("#switches").bounding_box()
    assert row is not None
    assert row["height"] < 60.0  # one line
    listed = page.locator("#switches select:visible")
    assert listed.locator("option").all_inner_texts() == [one["name"] for one in points]
    assert listed.input_value() == "point.-9"  # as loud as your settings
    page.keyboard.press("7")
    assert page.evaluate("window.listen.chosen()") == "point.-9"
    page.keyboard.press("7")
    assert page.evaluate("window.listen.chosen()") == "point.-8"
    listed.select_option("point.-14")
    assert page.evaluate("window.listen.chosen()") == "point.-14"
    page.keyboard.press("1")
    page.keyboard.press("7")
    assert page.evaluate("window.listen.chosen()") == "point.-14"  # what was held last
    # Without names the points are not ticked by themselves: each is there for another loudness.
    ticked = page.locator("#blind-who input:checked").evaluate_all("(all) => all.map((one) => one.value)")
    assert ticked == ["mix", "hand", "suggestion", *(one["key"] for one in kept)]


def test_fragments_move_nothing_that_stands_below(opened: Seen, facts: SongFacts) -> None:
    """Estimate, exact figures and missing meters take the same room: what one reads or presses stays in its place."""
    where = """() => ["#chain", "#costs", ".stage:nth-child(2) .field", "#time"].map((one) =>
      document.querySelector(one).getBoundingClientRect().top)"""
    before = opened.page.evaluate(where)
    bare = replace(facts.hand, exact=False, score=None, costs=None, true_peak_dbtp=None)
    for changed in (replace(facts, hand=bare, meters={}), replace(facts, hand=replace(facts.hand, exact=False)), facts):
        opened.of.show(changed, PARTS)
        opened.page.wait_for_timeout(250)
        assert opened.page.evaluate(where) == before


@pytest.mark.parametrize("width", [390, 768, 1400])
def test_nothing_makes_the_page_scroll_sideways(browser: Browser, facts: SongFacts, width: int) -> None:
    everything = facts.chain.checked({name: {} for name in facts.chain.stages})
    with seen(browser, replace(facts, settings=everything), width) as opened:
        opened.page.evaluate("document.querySelectorAll('details').forEach((one) => (one.open = true))")
        assert opened.page.evaluate("document.documentElement.scrollWidth") == width
        small = opened.page.evaluate(
            """() => [...document.querySelectorAll("button, select, input:not([type=file], [type=range])")].filter(
              (one) => {
              const box = one.getBoundingClientRect();
              return box.width && one.type !== "checkbox" && !one.matches(".time") && box.height < 24;
            }).map((one) => one.outerHTML.slice(0, 80))"""
        )
        # WCAG 2.2, success criterion 2.5.8 (AA): targets of 24 by 24 px at least, apart from those in a line of text.
        assert small == []


def test_on_paper_it_reads_as_a_sheet(opened: Seen) -> None:
    opened.page.emulate_media(media="print")
    for gone in (".bar-of-page", "#player", "#chain .acts", "[data-lock]", "#out form"):
        assert not opened.page.locator(gone).first.is_visible(), gone
    for there in ("#head .lead", "#costs table", "#chain .stage h3", "#loud svg"):
        assert opened.page.locator(there).first.is_visible(), there
    assert 1 <= len(re.findall(rb"/Type\s*/Page[^s]", opened.page.pdf(prefer_css_page_size=True))) <= 2


def test_every_field_is_named_and_every_control_can_be_reached_by_keys(opened: Seen) -> None:
    unnamed = opened.page.evaluate(
        """() => [...document.querySelectorAll("button, input, select")].filter((one) =>
          !(one.labels && one.labels.length) && !one.getAttribute("aria-label") && !one.textContent.trim()).length"""
    )
    assert unnamed == 0
    ids = opened.page.evaluate("[...document.querySelectorAll('[id]')].map((one) => one.id)")
    assert len(ids) == len(set(ids))
    assert opened.page.locator("[tabindex]:not([tabindex='0'])").count() == 0


# --- Contrast: W3C, Web Content Accessibility Guidelines 2.2, "relative luminance" and "contrast ratio" of its
# glossary; 4.5:1 for text (1.4.3), 3:1 for what has to be seen of controls and graphics (1.4.11), both AA.

_COLOURS = """() => {
  const parse = (text) => (text.match(/[\\d.]+/g) || []).map(Number);
  const behind = (node) => {
    for (let at = node; at; at = at.parentElement) {
      const colour = parse(getComputedStyle(at).backgroundColor);
      if (colour.length && (colour.length < 4 || colour[3] > 0)) return colour;
    }
    return [255, 255, 255];
  };
  const through = (node) => (node ? Number(getComputedStyle(node).opacity) * through(node.parentElement) : 1);
  const seen = (node) => node.getClientRects().length && getComputedStyle(node).visibility === "visible";
  const found = { text: [], graphics: [] };
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walk.nextNode()) {
    const node = walk.currentNode.parentElement;
    if (!walk.currentNode.data.trim() || !seen(node) || node.closest("script, option, :disabled")) continue;
    const style = getComputedStyle(node);
    const colour = parse(node.closest("svg") ? style.fill : style.color);
    found.text.push([node.outerHTML.slice(0, 60), colour, behind(node), through(node)]);
  }
  const drawn = [
    ".range :is(.span, .now, .was, .room), .takes :is(.typical, .most), .sign *, .knee, .wanted, .mark path",
    ".curve :is(.line, .second, .third, .dot), .song :is(.wave, .taken, .line), .strip .wave",
  ];
  for (const node of document.querySelectorAll(drawn.join(", "))) {
    if (!seen(node)) continue;
    const style = getComputedStyle(node);
    const colour = style.stroke !== "none" ? style.stroke : style.fill;
    found.graphics.push([node.outerHTML.slice(0, 60), parse(colour), behind(node), through(node)]);
  }
  for (const node of document.querySelectorAll("button:not(.off, .lock):enabled, input[type=text], select, .file")) {
    if (!seen(node)) continue;
    const edge = parse(getComputedStyle(node).borderTopColor);
    found.graphics.push([node.outerHTML.slice(0, 60), edge, behind(node.parentElement), through(node)]);
  }
  const field = document.querySelector("#limiter-release_ms");
  field.focus({ focusVisible: true });
  found.graphics.push(["focus", parse(getComputedStyle(field).outlineColor), behind(field.parentElement), 1]);
  return found;
}"""


def luminance(colour: np.ndarray) -> float:
    part = colour / 255.0
    linear = np.where(part <= 0.04045, part / 12.92, ((part + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


def contrast(fore: list[float], back: list[float], opacity: float) -> float:
    paper = np.array(back[:3])
    share = opacity * (fore[3] if len(fore) > 3 else 1.0)
    high, low = sorted((luminance(share * np.array(fore[:3]) + (1.0 - share) * paper), luminance(paper)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_the_formula_gives_what_the_guidelines_say() -> None:
    # WCAG 2.2, "contrast ratio": black on white is 21:1. #777 on white is 4.48:1, just too little for text (W3C's
    # technique G18, from memory).
    assert contrast([0, 0, 0], [255, 255, 255], 1.0) == pytest.approx(21.0)
    assert contrast([119, 119, 119], [255, 255, 255], 1.0) == pytest.approx(4.48, abs=0.005)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_text_and_graphics_stand_out(browser: Browser, facts: SongFacts, scheme: Literal["light", "dark"]) -> None:
    everything = facts.chain.checked({**{name: {} for name in facts.chain.stages}, **facts.settings.plain()})
    assert facts.suggestion is not None
    shown = replace(facts, settings=everything, undo=True, kept=(replace(facts.suggestion, key="kept.1", name="one"),))
    with seen(browser, shown, 1400, scheme) as opened:
        opened.page.evaluate("document.querySelectorAll('details').forEach((one) => (one.open = true))")
        found = opened.page.evaluate(_COLOURS)
        assert len(found["text"]) > 200
        assert len(found["graphics"]) > 60
        for kind, least in (("text", 4.5), ("graphics", 3.0)):
            poor = {what: round(contrast(*own), 2) for what, *own in found[kind] if contrast(*own) < least}
            assert poor == {}, json.dumps(poor, indent=1)


def test_words_from_outside_are_no_markup(browser: Browser, facts: SongFacts) -> None:
    wild = "<img src=x onerror=alert(1)>\u202egnp.wav"
    named = replace(facts, files=replace(facts.files, path=facts.files.path.with_name(wild)))
    with seen(browser, named) as opened:
        assert opened.page.locator("h1 img").count() == 0
        assert "<img src=x" in opened.page.inner_text("h1")
        assert "\u202e" not in opened.page.content()
        assert opened.complaints == []


def test_no_part_brings_a_style_or_a_script_of_its_own(facts: SongFacts) -> None:
    """The policy refuses both; what a picture needs are classes and attributes."""
    for part in PARTS:
        assert not re.search(r"\sstyle=|<script|<style|\son[a-z]+=|javascript:", fragment(part, facts)), part
