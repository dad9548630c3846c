"""From a knob to the thing it moves, and back."""

import pytest

from autochain.tool.knobs import KnobMap, ToolKnob, knob_maps, parse_knobs, parse_settings
from autochain.tool.refusal import ToolError


def attack(**ends) -> ToolKnob:
    return ToolKnob(role="attack", word="attack", **ends)


def test_one_bounce_means_in_proportion() -> None:
    """The knob counts four time constants: 10 is 2.5 ms."""
    found = KnobMap(attack(), ((10.0, 2.5),), True)
    assert found.thing(40.0) == pytest.approx(10.0)
    assert found.position(5.0) == pytest.approx(20.0)


def test_two_bounces_give_a_line_in_logarithms_between_and_beyond() -> None:
    """From 1 at 1 ms to 100 at 10 ms: the thing goes with the root of the knob (closed form)."""
    found = KnobMap(attack(), ((1.0, 1.0), (100.0, 10.0)), True)
    assert found.thing(25.0) == pytest.approx(5.0)
    assert found.position(7.0) == pytest.approx(49.0)
    assert found.thing(400.0) == pytest.approx(20.0)


def test_three_bounces_give_a_table() -> None:
    level = ToolKnob(role="threshold", word="input")
    found = KnobMap(level, ((0.0, -10.0), (5.0, -20.0), (10.0, -24.0)), False)
    assert found.thing(2.5) == pytest.approx(-15.0)
    assert found.position(-22.0) == pytest.approx(7.5)
    assert found.reach == (pytest.approx(-43.2), pytest.approx(38.0))


def test_positions_are_those_that_the_knob_has() -> None:
    assert KnobMap(attack(positions=(0.1, 1.0, 10.0, 30.0)), ((1.0, 1.0),), True).position(4.0) == 10.0
    assert KnobMap(attack(low=1.0, high=30.0, step=0.5), ((1.0, 1.0),), True).position(4.3) == 4.5
    assert KnobMap(attack(low=1.0, high=30.0), ((1.0, 1.0),), True).position(90.0) == 30.0
    # Two digits where nothing is known of its steps.
    assert KnobMap(attack(), ((10.0, 10.0),), True).position(12.34) == 12.0


def test_a_knob_that_turns_back_is_refused() -> None:
    bounces = [({"attack": at}, {"attack_ms": is_}) for at, is_ in ((1.0, 2.0), (5.0, 9.0), (10.0, 4.0))]
    with pytest.raises(ToolError, match="attack 1 reads 2, attack 5 reads 9, attack 10 reads 4"):
        knob_maps("compressor", bounces, {"attack": attack()})


def test_settings_are_read_with_the_tools_own_words() -> None:
    positions, words, noted = parse_settings("compressor", "threshold=-20 attack:Fast_or_slow=3 mode=B ratio=4")
    assert positions == {"threshold": -20.0, "attack": 3.0, "ratio": 4.0}
    assert words["attack"] == "Fast or slow"
    assert noted == {"mode": "B"}
    assert parse_settings("limiter", "threshold=-3")[0] == {"ceiling": -3.0}


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("threshold", "write each knob as name=value"),
        ("attack=fast", "must be a number"),
        ("attack=nan", "must be a number"),
        ("attack=1 attack=2", "attack twice"),
        ("attack=1e300", "must be a number"),
        ("mode=a\u202eb", "without control characters"),
        ("attack:" + "w" * 5000 + "=1", "300 characters are the most"),
        ("mode=" + "w" * 5000, "300 characters are the most"),
    ],
)
def test_settings_that_cannot_hold_are_refused(text: str, reason: str) -> None:
    with pytest.raises(ToolError, match=reason):
        parse_settings("compressor", text)


def test_ends_and_steps_are_read() -> None:
    found = parse_knobs("compressor", "attack=0.1:30:0.1 ratio=2|4|10 release=50:1200")
    assert found["attack"] == (0.1, 30.0, 0.1, ())
    assert found["ratio"] == (None, None, 0.0, (2.0, 4.0, 10.0))
    assert found["release"] == (50.0, 1200.0, 0.0, ())


@pytest.mark.parametrize("text", ["attack=30:1", "attack=1", "attack=a:b", "speed=1:2", "attack=1:30:0", "ratio=2|x"])
def test_ends_that_cannot_hold_are_refused(text: str) -> None:
    with pytest.raises(ToolError, match="write low:high"):
        parse_knobs("compressor", text)


@pytest.mark.parametrize("knob", [
    {"low": 1.0, "high": float("inf")}, {"positions": (1.0, float("nan"))}, {"low": 2.0, "high": 1.0}, {"step": 1e-300},
])  # fmt: skip
def test_a_knob_that_there_cannot_be_is_refused(knob) -> None:
    with pytest.raises(ToolError, match=r"knobs\.attack"):
        ToolKnob(role="attack", word="attack", **knob)
