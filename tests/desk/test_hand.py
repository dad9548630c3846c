"""The settings under the hand: turned within their ranges, undone and redone, and never lost."""

import json
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from autochain.chain.chain import DEFAULT
from autochain.chain.settings import ChainSettings
from autochain.config.model import Target
from autochain.desk.hand import Hand, HandState, start_of
from autochain.errors import AutochainError, ParameterError, TargetError, UsageError

TARGET = Target(lufs=-9.0, ceiling_dbtp=-1.0)
CHAIN = ChainSettings(
    {
        "bus_compressor": {"threshold_db": -12.0},
        "drive": {"gain_db": 6.0},
        "clipper": {"ceiling_dbfs": -0.5},
        "limiter": {},
        "output": {},
    }
)


def start() -> HandState:
    return start_of(CHAIN, TARGET, {"limiter.release_ms": 60.0})


class Clock:
    """A clock that a test turns."""

    def __init__(self) -> None:
        self.now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


def hand(path: Path | None = None) -> tuple[Hand, Clock]:
    clock = Clock()
    return Hand(start(), path, now_s=clock), clock


def test_a_turned_setting_is_set_and_everything_else_stays() -> None:
    one, _ = hand()
    one.turn("limiter", "release_ms", 33.0)
    assert one.state.settings["limiter"]["release_ms"] == 33.0
    assert one.state.settings.with_("limiter", release_ms=60.0) == start().settings


@pytest.mark.parametrize(
    ("stage", "parameter", "value", "says"),
    [
        ("limiter", "release_ms", 5000.0, "limiter.release_ms is 5000 ms; it must be 2 to 1000 ms. Choose a value"),
        ("limiter", "relase_ms", 5.0, "limiter.relase_ms is not a parameter. Did you mean release_ms?"),
        ("limitor", "release_ms", 5.0, "'limitor' is not a stage of the chain. Did you mean limiter?"),
        ("limiter", "release_ms", "fast", "limiter.release_ms: 'fast' is not a number. Write a number in ms."),
        ("limiter", "release_ms", float("nan"), "limiter.release_ms is nan ms; it must be 2 to 1000 ms"),
        ("limiter", "release_ms", True, "limiter.release_ms: True is not a number."),
        ("limiter", "release_ms", None, "limiter.release_ms: None is not a number."),
        ("limiter", "release_behaviour", "slow", "limiter.release_behaviour is 'slow'; it can be fixed, by_work"),
        ("output", "trim_db", -1.0, "output.trim_db holds the ceiling, so no hand sets it."),
    ],
)
def test_what_cannot_be_set_is_refused_in_one_line_and_changes_nothing(stage, parameter, value, says) -> None:
    one, _ = hand()
    with pytest.raises(ParameterError) as refused:
        one.turn(stage, parameter, value)
    assert says in str(refused.value)
    assert "\n" not in str(refused.value)
    assert one.state == start()
    assert not one.can_undo


def test_a_stage_that_is_switched_off_keeps_its_settings() -> None:
    one, _ = hand()
    one.switch("bus_compressor", False)
    assert "bus_compressor" not in one.state.active
    assert one.state.settings["bus_compressor"]["threshold_db"] == -12.0
    one.switch("bus_compressor", True)
    assert one.state.active == start().active


def test_a_stage_that_never_was_in_comes_in_at_its_place_with_its_defaults() -> None:
    one, _ = hand()
    one.switch("transient", True)
    assert list(one.state.active) == ["bus_compressor", "drive", "clipper", "transient", "limiter", "output"]
    assert one.state.active["transient"] == DEFAULT.stages["transient"].checked({})


def test_drive_and_output_cannot_be_switched_off_and_the_limiter_can() -> None:
    one, _ = hand()
    for stage in ("drive", "output"):
        with pytest.raises(UsageError, match=f"{stage} cannot be switched off"):
            one.switch(stage, False)
    one.switch("limiter", False)
    assert "limiter" not in one.state.active


def test_a_drive_that_is_turned_is_locked_and_free_again_when_it_is_unlocked() -> None:
    one, _ = hand()
    assert not one.state.drive_locked
    one.turn("drive", "gain_db", 4.0)
    assert one.state.drive_locked
    assert one.state.kept["drive"]["gain_db"] == 4.0
    one.lock("drive", "gain_db", False)
    assert "drive" not in one.state.kept


def test_a_target_that_no_master_can_have_is_refused() -> None:
    one, _ = hand()
    for wanted in ({"lufs": 3.0}, {"ceiling_dbtp": 1.0}, {"lufs": -9.0, "loudest_part_lufs": -8.0}):
        with pytest.raises(TargetError):
            one.aim(**wanted)
    one.aim(loudest_part_lufs=-8.0)
    assert one.state.target.loudness_lufs == -8.0
    assert one.state.target.of_loudest_part


def test_turns_of_one_setting_within_a_second_are_one_step() -> None:
    one, clock = hand()
    for value in range(30, 40):
        clock.now_s += 0.3
        one.turn("limiter", "release_ms", float(value))
    clock.now_s += 1.5
    one.turn("limiter", "release_ms", 90.0)
    one.turn("limiter", "lookahead_ms", 3.0)
    assert one.undo()
    assert one.state.settings["limiter"]["release_ms"] == 90.0
    assert one.undo()
    assert one.state.settings["limiter"]["release_ms"] == 39.0
    assert one.undo()
    assert one.state == start()
    assert not one.undo()


def test_a_drive_that_was_solved_is_no_step() -> None:
    one, _ = hand()
    one.turn("limiter", "release_ms", 33.0)
    one.settle(one.state.active.with_("drive", gain_db=7.3).with_("output", trim_db=-0.2))
    assert one.state.settings["drive"]["gain_db"] == 7.3
    assert one.state.settings["output"]["trim_db"] == -0.2
    assert one.state.settings["limiter"]["release_ms"] == 33.0
    one.undo()
    assert one.state == start()


ACTIONS = st.one_of(
    st.tuples(st.just("turn"), st.just("limiter"), st.just("release_ms"), st.integers(2, 1000).map(float)),
    st.tuples(st.just("turn"), st.just("clipper"), st.just("softness"), st.integers(0, 100).map(float)),
    st.tuples(st.just("turn"), st.just("equaliser"), st.just("band1_gain_db"), st.integers(-6, 6).map(float)),
    st.tuples(st.just("switch"), st.sampled_from(["limiter", "clipper", "transient", "tone"]), st.booleans()),
    st.tuples(st.just("lock"), st.just("limiter"), st.just("release_ms"), st.booleans()),
    st.tuples(st.just("aim"), st.integers(-20, -6).map(float)),
)


@settings(max_examples=60, deadline=None)
@given(st.lists(ACTIONS, max_size=25), st.data())
def test_undo_leads_back_through_every_state_and_redo_forth_again(actions, data) -> None:
    one, clock = hand()
    seen = [one.state]
    for name, *arguments in actions:
        clock.now_s += 10.0
        getattr(one, name)(*arguments)
        if one.state != seen[-1]:
            seen.append(one.state)
    for _ in range(2):
        back = 0
        while one.undo():
            back += 1
            assert one.state == seen[-1 - back]
        assert back == len(seen) - 1
        for place in range(1, len(seen)):
            assert one.redo()
            assert one.state == seen[place]
        assert not one.redo()
    steps = data.draw(st.integers(0, len(seen) - 1))
    for _ in range(steps):
        one.undo()
    clock.now_s += 10.0
    before = one.state
    one.turn("limiter", "lookahead_ms", 7.7)
    assert one.can_redo is (one.state == before and steps > 0)  # a new way leaves the old one


def test_history_is_bounded(tmp_path: Path) -> None:
    one, clock = hand(tmp_path / "hand.json")
    for turn in range(500):
        clock.now_s += 10.0
        one.turn("limiter", "release_ms", 100.0 + turn % 300)
    size = (tmp_path / "hand.json").stat().st_size
    assert sum(iter(one.undo, False)) == 200
    assert size < 400_000


def test_what_was_left_is_there_again(tmp_path: Path) -> None:
    path = tmp_path / "song.versions" / "hand.json"
    one, clock = hand(path)
    for stage, name, value in (("limiter", "release_ms", 33.0), ("equaliser", "band1_freq_hz", 100.0)):
        clock.now_s += 10.0
        one.turn(stage, name, value)
    one.switch("bus_compressor", False)
    one.lock("limiter", "release_ms", False)
    one.undo()
    again = Hand(start(), path)
    assert again.read() is None
    assert again.state == one.state
    while one.undo():
        assert again.undo()
        assert again.state == one.state
    while one.redo():
        assert again.redo()
        assert again.state == one.state
    assert not again.can_redo


def good() -> dict:
    one, _ = hand()
    state = one.state.plain()
    return {"format_version": 1, "now": state, "undo": [state], "redo": []}


def hostile(**changes: object) -> bytes:
    return json.dumps({**good(), **changes}).encode()


def now(**changes: object) -> bytes:
    return hostile(now={**good()["now"], **changes})


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"{",
        b"[]",
        b"null",
        b"\xff\xfe",
        b'{"format_version": 1}',
        b"[" * 100_000,
        b'{"format_version": 1, "format_version": 1}',
        json.dumps(good()).encode().replace(b"60.0", b"NaN"),
        json.dumps(good()).encode().replace(b"60.0", b"1e999"),
        json.dumps(good()).encode().replace(b"60.0", b'"60; rm"'),
        hostile(format_version=2),
        hostile(format_version="1"),
        hostile(more=1),
        hostile(undo=[good()["now"]] * 201),
        hostile(undo={}),
        hostile(undo=[None]),
        now(settings={}),
        now(settings={"../../etc": {}}),
        now(settings={**good()["now"]["settings"], "limiter": {"release_ms": -1.0}}),
        now(settings={**good()["now"]["settings"], "limiter": {"release_ms": [1.0]}}),
        now(settings={**good()["now"]["settings"], "limiter": {"attack": 1.0}}),
        now(locks=["limiter"]),
        now(locks=["limiter.nothing"]),
        now(locks=[5]),
        now(off=["drive"]),
        now(off=["transient"]),
        now(target={"lufs": 40.0, "ceiling_dbtp": -1.0}),
        now(target={"lufs": -9.0, "loudest_part_lufs": -8.0, "ceiling_dbtp": -1.0}),
        now(target={}),
        b" " * 9_000_000,
    ],
    ids=lambda data: data[:40].decode("latin-1") + f"...{len(data)}",
)
def test_a_file_that_is_none_is_told_in_one_line_and_set_aside(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "hand.json"
    path.write_bytes(data)
    one = Hand(start(), path)
    said = one.read()
    assert said is not None
    assert "\n" not in said
    assert len(said) < 500
    assert one.state == start()
    assert not path.exists()
    assert (tmp_path / "hand.not-read-1.json").read_bytes() == data  # never lost
    one.turn("limiter", "release_ms", 33.0)
    assert Hand(start(), path).read() is None


def test_a_second_one_is_set_aside_beside_the_first(tmp_path: Path) -> None:
    path = tmp_path / "hand.json"
    for text in ("one", "two"):
        path.write_text(text)
        assert Hand(start(), path).read() is not None
    assert {(p.name, p.read_text()) for p in tmp_path.iterdir()} == {
        ("hand.not-read-1.json", "one"), ("hand.not-read-2.json", "two"),
    }  # fmt: skip


def test_a_state_that_does_not_fit_is_not_taken() -> None:
    def fits(state: HandState) -> None:
        if state.settings["limiter"]["release_ms"] > 100.0:
            raise ParameterError("too slow for this song.")

    one = Hand(start(), fits=fits)
    with pytest.raises(AutochainError, match="too slow"):
        one.turn("limiter", "release_ms", 101.0)
    assert one.state == start()
    assert not one.can_undo
