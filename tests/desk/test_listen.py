"""The player's bar on the desk's page: keys, what it says, level, and what a phone shows of it."""

from collections.abc import Callable, Iterator

import pytest
from playwright.sync_api import Browser, Page

from tests.conftest import Suggested
from tests.desk.hearing import Desk, desk_process, found_at, sheet_beside


@pytest.fixture(scope="module")
def opened(
    browser: Browser, demo_run: Callable[[str], Suggested], tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Desk]:
    song = sheet_beside(demo_run("dense_rock"), tmp_path_factory.mktemp("desk"))
    with desk_process(song, "-o", song.parent) as address:
        desk = Desk(browser, address, song.name)
        desk.verified()
        yield desk
        desk.close()


@pytest.fixture
def page(opened: Desk) -> Page:
    """Nothing plays, nothing repeats, nothing has the focus."""
    opened.page.evaluate(
        """() => {
          const repeat = document.getElementById("repeat");
          if (repeat.getAttribute("aria-pressed") === "true") repeat.click();
          window.listen.choose("mix");
          window.listen.play(1);
          window.listen.stop();
          document.activeElement.blur();
        }"""
    )
    return opened.page


def pressed(page: Page) -> str:
    """The version that is shown as chosen."""
    return page.inner_text("#switches [aria-pressed=true]")


def test_the_page_starts_quietly_and_says_what_was_done_to_the_levels(opened: Desk, page: Page) -> None:
    assert page.input_value("#volume") == "-20"
    assert page.inner_text("#level") == "-20 dB"
    assert "protect ears and loudspeakers" in page.inner_text(".caution")
    assert page.is_checked("#equal")
    assert "all versions as loud as the mix" in page.inner_text("#listen")
    taken = -opened.version("suggestion")["gain_db"]
    assert taken > 1.0
    page.keyboard.press("3")
    assert f"suggestion, {taken:.1f} dB taken out" in page.inner_text("#state")
    # And as a screen reader is told.
    assert "suggestion" in page.inner_text("#heard-now")


def test_digits_choose_space_plays_and_arrows_go_a_second(page: Page) -> None:
    names = page.locator("#switches button").all_inner_texts()
    assert names[:3] == ["1 mix", "2 your settings", "3 suggestion"]
    for digit in "231":
        page.keyboard.press(digit)
        assert pressed(page).startswith(digit)
    assert not page.evaluate("window.listen.playing()")
    page.keyboard.press("Space")
    page.wait_for_function("window.listen.position() > 1.1")
    assert page.inner_text("#play") == "pause"
    page.keyboard.press("Space")
    assert not page.evaluate("window.listen.playing()")
    before = page.evaluate("window.listen.position()")
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowLeft")
    assert page.evaluate("window.listen.position()") == pytest.approx(before + 1.0, abs=0.01)
    page.keyboard.press("r")
    assert page.get_attribute("#repeat", "aria-pressed") == "true"


def test_keys_in_a_field_are_the_fields_but_space_plays(page: Page) -> None:
    field = page.locator(".field input:visible").first
    field.click()
    before = field.input_value()
    page.keyboard.press("Space")
    assert page.evaluate("window.listen.playing()")
    page.keyboard.press("3")
    assert pressed(page) == "1 mix"
    page.keyboard.press("Space")
    assert not page.evaluate("window.listen.playing()")
    page.keyboard.press("Escape")
    assert float(field.input_value()) == float(before)
    # What can be typed in takes all of it.
    name = page.locator("input[name=name], #kept input[type=text]").first
    if name.count() and name.is_visible():
        name.fill("")
        name.press("Space")
        assert not page.evaluate("window.listen.playing()")


def test_everything_is_reached_by_tab_and_shows_that_it_is(page: Page) -> None:
    page.focus("#play")
    wanted = {"play", "repeat", "volume", "where"}
    seen: set[str] = {"play"}
    for _ in range(30):
        page.keyboard.press("Tab")
        found = page.evaluate(
            """() => {
              const one = document.activeElement;
              const style = getComputedStyle(one);
              const shown = style.outlineStyle !== "none" && parseFloat(style.outlineWidth) >= 2;
              const name = one.id || one.textContent;
              return one.closest("#player") ? [name, shown, one.matches(":focus-visible")] : null;
            }"""
        )
        if found is None:
            break
        name, shown, visible = found
        assert visible, name
        assert shown, name
        seen.add(name)
    assert wanted <= seen
    assert "2 your settings" in seen
    # By keyboard a version is pressed as any button.
    page.locator("#switches button").nth(1).focus()
    page.keyboard.press("Space")
    assert pressed(page) == "2 your settings"


def test_every_control_has_a_name(page: Page) -> None:
    unnamed = page.evaluate(
        """() => [...document.querySelectorAll(":is(#player, #listen) :is(button, input, select)")]
          .filter((one) => !one.textContent.trim() && !one.getAttribute("aria-label") && !(one.labels || []).length)
          .map((one) => one.outerHTML)"""
    )
    assert unnamed == []


def test_as_loud_as_they_are_warns_first_and_comes_slowly(opened: Desk, page: Page) -> None:
    opened.loud()
    page.keyboard.press("3")
    page.keyboard.press("Space")
    opened.until("window.listen.position() > 1.3")
    page.click("#equal")
    assert page.is_checked("#equal")
    assert page.is_visible("#equal-warning")
    loudest = max(-one["gain_db"] for one in page.evaluate("window.told"))
    assert f"up to {loudest:.1f} dB louder" in page.inner_text("#equal-warning")
    opened.record()
    opened.taped(0.3)
    page.click("#as-they-are")
    opened.taped(1.7)
    assert not page.is_checked("#equal")
    assert "taken out" not in page.inner_text("#state")
    _, heard = opened.tape(longest=True)
    # No jump: the level of 10 ms and the next differ as they do in the song.
    page.click("#equal")
    assert page.is_checked("#equal")
    page.keyboard.press("Space")
    song = opened.sent("suggestion")
    own = 10.0 ** (-opened.version("suggestion")["gain_db"] / 20.0)
    at = found_at(heard, song)
    there = song[at : at + len(heard), 0]
    loud = abs(there) > 0.05
    gains = heard[loud, 0] / there[loud]
    assert gains[0] == pytest.approx(1.0, abs=1e-5)
    assert gains[-1] == pytest.approx(own, rel=0.02)
    # At most a tenth of the way in 10 ms: a limit of this project.
    times = loud.nonzero()[0]
    steps = abs(gains[1:] - gains[:-1]) / (1.0 + (times[1:] - times[:-1]) / 441.0)
    assert steps.max() < 0.1 * (own - 1.0)
    page.fill("#volume", "-20")


@pytest.mark.parametrize("what", ["time", "axis", "version"])
def test_what_is_pressed_elsewhere_on_the_page_is_heard(opened: Desk, page: Page, what: str) -> None:
    page.evaluate(
        """(what) => {
          const box = document.createElement("div");
          box.id = "pressed-here";
          box.style.cssText = "width: 200px; height: 20px";
          const inner = { time: '<button type="button" data-time="4.5">0:04.5</button>',
            axis: '<svg width="200" height="20"><rect width="200" height="20" data-from="2" data-to="6"></rect></svg>',
            version: '<button type="button" data-hear="suggestion">hear</button>' };
          box.innerHTML = inner[what];
          document.querySelector("main").prepend(box);
          scrollTo(0, 0);
        }""",
        what,
    )
    try:
        page.mouse.move(0, 0)
        target = page.locator("#pressed-here > *").first
        target.scroll_into_view_if_needed()
        box = target.bounding_box()
        assert box is not None
        page.mouse.click(box["x"] + 0.25 * box["width"], box["y"] + 0.5 * box["height"])
        opened.until("window.listen.playing()")
        at = page.evaluate("window.listen.position()")
        if what == "version":
            assert page.evaluate("window.listen.chosen()") == "suggestion"
        else:
            assert at == pytest.approx({"time": 3.5, "axis": 3.0}[what], abs=0.3)
        page.keyboard.press("Space")  # the button that was pressed does not take it
        assert not page.evaluate("window.listen.playing()")
    finally:
        page.evaluate("document.getElementById('pressed-here').remove()")


def test_on_a_phone_the_bar_stays_in_reach_and_leaves_most_of_the_screen(opened: Desk, page: Page) -> None:
    page.set_viewport_size({"width": 390, "height": 800})
    try:
        for part in ("0", "document.body.scrollHeight / 2", "document.body.scrollHeight"):
            page.evaluate(f"scrollTo(0, {part})")
            bar = page.locator("#player").bounding_box()
            assert bar is not None
            assert bar["y"] >= 0.0
            assert bar["y"] + bar["height"] <= 800.5
            assert bar["height"] <= 200.0  # a quarter: a limit of this project
            for name in ("#play", "#repeat", "#state", "#volume", "#where", "#switches"):
                box = page.locator(name).bounding_box()
                assert box is not None, name
                assert 0.0 <= box["x"] <= box["x"] + box["width"] <= 390.5, name
        assert page.evaluate("document.documentElement.scrollWidth") <= 390
        page.keyboard.press("4")
        button = page.locator("#switches [aria-pressed=true]").bounding_box()
        assert button is not None
        assert 0.0 <= button["x"] <= 390.0  # scrolled into sight
    finally:
        page.set_viewport_size({"width": 1000, "height": 800})
    assert opened.complaints == []
