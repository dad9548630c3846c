"""What a page may ask for is read strictly; what it asks for reaches the song."""

import json
from typing import Any

import pytest

from autochain.desk.actions import REST_S, Answer, act, read_action
from autochain.desk.versions import Heard
from autochain.desk.work import DeskJob
from autochain.errors import AutochainError, UsageError

HEARD = Heard(start_s=1.0, stop_s=7.0, revision=3, gain_db=-2.5)


class Song:
    """Remembers what it was asked; what a turn gives is a place, what a job gives is a job."""

    def __init__(self) -> None:
        self.asked: list[tuple[Any, ...]] = []
        self.files = type("Files", (), {"id": "s"})()

    def versions(self) -> tuple[()]:
        return ()

    def __getattr__(self, name: str) -> Any:
        def call(*given: Any, **named: Any) -> Any:
            self.asked.append((name, *given, *sorted(named.items())))
            return DeskJob(words=name, song="s", kind=name, run=print) if name.endswith("_job") else HEARD

        return call


class Desk:
    def __init__(self) -> None:
        self.did: list[tuple[Any, ...]] = []
        self.work = self

    def __getattr__(self, name: str) -> Any:
        return lambda *given, **named: self.did.append((name, *given, *sorted(named.items())))

    def listening(self) -> Any:
        from contextlib import nullcontext

        return nullcontext()


def done(**asked: Any) -> tuple[Song, Desk, Answer]:
    song, desk = Song(), Desk()
    answer = act(read_action(json.dumps(asked).encode()), desk, song)  # type: ignore[arg-type]
    return song, desk, answer


@pytest.mark.parametrize(
    ("asked", "call"),
    [
        (
            {"action": "turn", "stage": "limiter", "parameter": "release_ms", "value": 30, "at_s": 12.5},
            ("turn", "limiter", "release_ms", 30.0, 12.5),
        ),
        (
            {"action": "turn", "stage": "bus_compressor", "parameter": "ratio", "value": "2.5"},
            ("turn", "bus_compressor", "ratio", "2.5", 0.0),
        ),
        ({"action": "switch", "stage": "clipper", "on": False, "at_s": 2}, ("switch", "clipper", False, 2.0)),
        (
            {"action": "lock", "stage": "drive", "parameter": "gain_db", "on": True},
            ("lock", "drive", "gain_db", True, 0.0),
        ),
        (
            {"action": "aim", "lufs": -10.5, "at_s": 3.0},
            ("aim", 3.0, ("ceiling_dbtp", None), ("loudest_part_lufs", None), ("lufs", -10.5)),
        ),
        ({"action": "undo"}, ("undo", 0.0)),
        ({"action": "redo", "at_s": 1.0}, ("redo", 1.0)),
        ({"action": "take", "version": "suggestion"}, ("take", "suggestion", 0.0)),
        ({"action": "point", "lufs": -9.0}, ("take", "point.-9", 0.0)),
    ],
)
def test_what_turns_is_solved_at_once_and_verified_when_the_hand_rests(
    asked: dict[str, Any], call: tuple[Any, ...]
) -> None:
    song, desk, answer = done(**asked)
    assert song.asked == [("verify_job",), call]
    assert answer.plain() == {"fragments": {}, "place": HEARD.plain(), "versions": []}
    submitted = [one for one in desk.did if one[0] == "submit"]
    assert [(one[1].kind, one[2]) for one in submitted] == [("verify_job", ("after_s", REST_S))]
    assert desk.did.index(("put_off", "verify_job", "s")) < desk.did.index(submitted[0])
    assert ("touched", song, asked["action"]) in desk.did


@pytest.mark.parametrize(
    ("asked", "call"),
    [
        ({"action": "keep", "name": "brighter"}, ("keep_job", "brighter")),
        ({"action": "search", "around": True}, ("search_job", True)),
        ({"action": "search"}, ("search_job", False)),
        ({"action": "curve"}, ("curve_job",)),
        ({"action": "compare", "version": "bounce.1"}, ("compare_job", "bounce.1", "")),
    ],
)
def test_what_takes_long_is_put_into_the_queue(asked: dict[str, Any], call: tuple[Any, ...]) -> None:
    song, desk, answer = done(**asked)
    assert song.asked == [call]
    assert desk.did[0][0] == "submit"
    assert desk.did[0][1].kind == call[0]
    assert answer.plain() == {"fragments": {}}


@pytest.mark.parametrize(
    ("asked", "call"),
    [
        ({"action": "rename", "version": "kept.1", "name": "a"}, ("rename", "kept.1", "a")),
        ({"action": "drop", "version": "kept.1"}, ("drop", "kept.1")),
        ({"action": "reference", "name": "r.wav", "on": True}, ("reference", "r.wav", True)),
        ({"action": "place", "start_s": 30}, ("place", 30.0)),
    ],
)
def test_what_is_quick_is_done_at_once(asked: dict[str, Any], call: tuple[Any, ...]) -> None:
    song, desk, _ = done(**asked)
    assert song.asked == [call]
    assert not [one for one in desk.did if one[0] == "submit"]


def test_stop_needs_no_song() -> None:
    desk = Desk()
    act(read_action(b'{"action": "stop", "job": 7}'), desk, None)  # type: ignore[arg-type]
    assert desk.did == [("stop", 7)]
    with pytest.raises(UsageError, match="about one song"):
        act(read_action(b'{"action": "undo"}'), desk, None)  # type: ignore[arg-type]


TURN = {"action": "turn", "stage": "limiter", "parameter": "release_ms", "value": 30.0, "at_s": 1.0}


def changed(**values: Any) -> bytes:
    return json.dumps({**TURN, **values}).encode()


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"\x00",
        b"\xff\xfe{}",
        b"null",
        b"[]",
        b"{}",
        b'"turn"',
        b'{"action": "format the disk"}',
        b'{"action": ["turn"]}',
        b'{"action": "undo", "action": "redo"}',  # RFC 8259, section 4: names should be unique
        b'{"action": "undo", "at_s": NaN}',  # RFC 8259, section 6: no such numbers
        b'{"action": "undo", "at_s": Infinity}',
        b'{"action": "undo", "at_s": 1e999}',
        b'{"action": "undo", "at_s": -1}',
        b'{"action": "undo", "at_s": "1"}',
        b'{"action": "undo", "at_s": true}',
        b'{"action": "undo", "at_s": ' + b"9" * 5000 + b"}",
        b'{"action": "undo", "more": 1}',
        b'{"action": "stop", "job": 1.5}',
        b"[" * 100_000,
        b'{"action":' * 20_000,
        changed(value=None),
        changed(value=True),
        changed(value=[1]),
        changed(value="x" * 101),
        changed(stage="no such stage"),
        changed(stage="limiter\x00"),
        changed(parameter=""),
        changed(parameter="x" * 1000),
        b'{"action": "keep", "name": ""}',
        b'{"action": "point", "lufs": 3}',
        json.dumps({"action": "deliver", "formats": ["wav16"] * 21}).encode(),
        json.dumps({"action": "deliver", "formats": "wav16"}).encode(),
    ],
)
def test_anything_else_is_one_line(body: bytes) -> None:
    with pytest.raises(AutochainError) as refused:
        read_action(body)
    words = str(refused.value)
    assert "\n" not in words
    assert len(words) < 400
    assert words.isprintable()
