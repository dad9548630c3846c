"""The desk's routes: pages, actions, sound, events and uploads, and what is refused."""

import asyncio
import json
import os
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from autochain.audio.files import read_mix
from autochain.audio.output_set import output_set
from autochain.desk.actions import Answer
from autochain.desk.desk import Desk
from autochain.desk.guard import LONGEST_BODY
from autochain.progress import Progress
from tests.desk.asking import PORT, ask, asked, desk_of, guarded, in_a_loop, names_in, own, write_mix


@pytest.fixture(scope="module")
def opened(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Desk]:
    """A desk with one song, open, for requests that change nothing."""
    with desk_of(tmp_path_factory.mktemp("desk"), "one.wav") as desk:
        desk.opened(desk.songs[0].id)
        yield desk


def until(true: Any, seconds: float = 60.0) -> None:
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, "it never came"
        time.sleep(0.01)


def test_the_songs_are_listed_and_checked_in_the_background(tmp_path: Path) -> None:
    with desk_of(tmp_path, "one.wav", "two.wav") as desk:
        page = ask(guarded(desk), "GET", "/")
        assert page.status == 200
        assert b"one.wav" in page.body
        until(lambda: len(desk.checked) == 2)
        assert {song.state for song in desk.songs} == {"nothing yet"}


def test_a_mix_that_cannot_be_read_is_a_line_and_stops_nothing(tmp_path: Path) -> None:
    with desk_of(tmp_path, "one.wav") as desk:
        (tmp_path / "mixes" / "broken.wav").write_bytes(b"RIFF\x00\x00\x00\x00WAVE")
        desk.look()
        until(lambda: len(desk.checked) == 1 and len(desk.errors) == 1)
        broken = next(song for song in desk.songs if song.name == "broken.wav")
        page = ask(guarded(desk), "GET", "/").body.decode()
        assert "one.wav" in page
        assert "broken.wav" in page
        answer = ask(guarded(desk), "GET", f"/song/{broken.id}")
        assert answer.status == 400
        assert "broken.wav" in json.loads(answer.body)["error"]


def test_a_mix_that_comes_into_the_folder_is_there_when_the_page_is_loaded_again(tmp_path: Path) -> None:
    with desk_of(tmp_path) as desk:
        assert desk.songs == ()
        write_mix(tmp_path / "mixes" / "new.wav")
        assert b"new.wav" in ask(guarded(desk), "GET", "/").body
        (tmp_path / "mixes" / "new.wav").unlink()
        assert b"new.wav" not in ask(guarded(desk), "GET", "/").body


def test_two_mixes_of_one_name_do_not_share_their_results(tmp_path: Path) -> None:
    with desk_of(tmp_path, "one.flac", "one.wav") as desk:
        first, second = desk.songs
        assert first.id not in desk.errors
        assert "another mix is called one" in desk.errors[second.id]
        assert ask(guarded(desk), "GET", f"/song/{second.id}").status == 400


def test_sound_is_the_very_samples_of_the_mix(tmp_path: Path) -> None:
    with desk_of(tmp_path, "one.wav") as desk:
        song = desk.songs[0]
        assert ask(guarded(desk), "GET", f"/song/{song.id}").status == 200
        answer = ask(
            guarded(desk), "GET", f"/song/{song.id}/sound/mix", query="revision=1&first=1000&frames=500"
        )
        assert (answer.status, answer.headers["x-rate"], answer.headers["x-channels"]) == (200, "44100", "2")
        heard = np.frombuffer(answer.body, "<f4").reshape(-1, 2)
        np.testing.assert_array_equal(heard, read_mix(song.path).samples[1000:1500])


@pytest.mark.parametrize(
    "query",
    [
        "",
        "revision=1&first=0",
        "revision=1&first=-1&frames=10",
        "revision=1&first=0&frames=1e3",
        "revision=1&first=0&frames=99999999999999999999",
        "revision=1&first=0&frames=0x10",
        "revision=1&first=0&frames=%C2%B2",  # a superscript two is a digit to some
        f"revision=1&first=0&frames={31 * 44100}",
        "revision=NaN&first=0&frames=10",
    ],
)
def test_sound_that_cannot_be_is_one_line(opened: Desk, query: str) -> None:
    answer = ask(guarded(opened), "GET", f"/song/{opened.songs[0].id}/sound/mix", query=query)
    assert answer.status == 400
    assert "\n" not in json.loads(answer.body)["error"]


@pytest.mark.parametrize(
    "path",
    [
        "/song/../../etc/passwd",
        "/song/..%2f..%2fetc%2fpasswd",
        "/song/{id}/sound/../../../etc/passwd",
        "/song/{id}/sound/..",
        "/song/{id}/sound/kept.../../x",
        "/static/../desk.py",
        "/static/..%2fdesk.py",
        "/static//etc/passwd",
        "/static/desk.py",
        "/static/__init__.py",
        "/static/templates",
        "/static/desk.css\x00.js",
        "/files/a.wav",
        "/do",
        "/song/",
        "/song/000000000000",
        "//evil.example/",
        "/%00",
        "/" + "a" * 5000,
    ],
)
def test_no_path_leads_elsewhere(opened: Desk, path: str) -> None:
    answer = ask(
        guarded(opened), "GET", path.format(id=opened.songs[0].id), query="revision=1&first=0&frames=10"
    )
    assert answer.status in (400, 404, 405)
    assert "error" in json.loads(answer.body)
    assert b"root:" not in answer.body


def test_an_action_is_carried_out_and_a_wrong_one_is_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with desk_of(tmp_path, "one.wav") as desk:
        song = desk.songs[0].id
        desk.opened(song)
        done: list[Any] = []

        def noted(asked: Any, desk: Desk, opened: Any) -> Answer:
            done.append((asked.action, opened.files.id))
            return Answer()

        monkeypatch.setattr("autochain.desk.server.act", noted)
        answer = ask(guarded(desk), "POST", f"/song/{song}/do", body=[b'{"action": ', b'"undo"}'])
        assert (answer.status, json.loads(answer.body)) == (200, {"fragments": {}})
        assert done == [("undo", song)]
        for body in ([b"{"], [b"x" * 1000] * 200, [b'{"action": "undo", "at_s": NaN}']):
            answer = ask(guarded(desk), "POST", f"/song/{song}/do", body=body)
            assert answer.status in (400, 413)
            assert "\n" not in json.loads(answer.body)["error"]
        assert len(done) == 1


def test_a_fault_of_ours_is_one_line_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def faulty(*given: Any) -> Answer:
        raise ZeroDivisionError("by zero")

    with desk_of(tmp_path) as desk:
        monkeypatch.setattr("autochain.desk.server.act", faulty)
        with pytest.raises(ZeroDivisionError):  # the server beneath hears of it, behind the answer
            ask(guarded(desk), "POST", "/do", body=[b'{"action": "stop"}'])


def test_of_two_songs_one_is_open(tmp_path: Path) -> None:
    with desk_of(tmp_path, "one.wav", "two.wav") as desk:
        one, two = (song.id for song in desk.songs)
        query = "revision=1&first=0&frames=10"
        ask(guarded(desk), "GET", f"/song/{one}")
        assert ask(guarded(desk), "GET", f"/song/{one}/sound/mix", query=query).status == 200
        ask(guarded(desk), "GET", f"/song/{two}")
        answer = ask(guarded(desk), "GET", f"/song/{one}/sound/mix", query=query)
        assert answer.status == 409
        assert "Load the page again" in json.loads(answer.body)["error"]
        assert ask(guarded(desk), "GET", f"/song/{two}/sound/mix", query=query).status == 200


def test_a_dropped_mix_is_copied_into_the_folder_and_listed(tmp_path: Path) -> None:
    mix = write_mix(tmp_path / "elsewhere" / "new.wav")
    with desk_of(tmp_path, "one.wav") as desk:
        data = mix.read_bytes()
        headers = [*own("PUT"), ("content-length", str(len(data)))]
        answer = ask(guarded(desk), "PUT", "/files/new.wav", headers, [data[:100], data[100:]], query="as=mix")
        assert json.loads(answer.body) == {"name": "new.wav", "song": None}
        assert (tmp_path / "mixes" / "new.wav").read_bytes() == data
        assert [song.name for song in desk.songs] == ["new.wav", "one.wav"]


def test_the_same_bounce_dropped_twice_is_kept_once_and_that_is_said(tmp_path: Path) -> None:
    with desk_of(tmp_path, "one.wav") as desk:
        song = desk.opened(desk.songs[0].id)
        data = write_mix(tmp_path / "bounce.wav").read_bytes()
        other = bytearray(data)
        other[-100] ^= 1
        said = []
        for name, body in (("take.wav", data), ("take.wav", data), ("again.wav", data), ("again.wav", bytes(other))):
            headers = [*own("PUT"), ("content-length", str(len(body)))]
            query = f"as=bounce&song={song.files.id}"
            answer = ask(guarded(desk), "PUT", f"/files/{name}", headers, [body], query=query)
            assert answer.status == 200
            said.append(json.loads(answer.body).get("said"))
        assert said == [None, *2 * ["This file is here already, as take.wav. It is kept once."], None]
        assert names_in(song.files.bounces) == ["again.wav", "take.wav"]


@pytest.mark.parametrize(
    ("path", "query", "body"),
    [
        ("/files/new.wav", "", b"RIFF"),
        ("/files/new.wav", "as=anything", b"RIFF"),
        ("/files/new.wav", "as=bounce", b"RIFF"),
        ("/files/new.wav", "as=bounce&song=000000000000", b"RIFF"),
        ("/files/new.wav", "as=mix", b"RIFF"),
        ("/files/new.wav", "as=mix", b""),
        ("/files/new.exe", "as=mix", b"RIFF"),
        ("/files/..", "as=mix", b"RIFF"),
        ("/files/%2e%2e%2fnew.wav", "as=mix", b"RIFF"),
        ("/files/../mixes/one.wav", "as=mix", b"RIFF"),
        ("/files/", "as=mix", b"RIFF"),
    ],
)
def test_an_upload_that_cannot_be_leaves_nothing(tmp_path: Path, path: str, query: str, body: bytes) -> None:
    with desk_of(tmp_path, "one.wav") as desk:
        before = (tmp_path / "mixes" / "one.wav").read_bytes()
        answer = ask(guarded(desk), "PUT", path, body=[body], query=query)
        assert answer.status in (400, 404, 405)
        assert names_in(tmp_path / "mixes") == ["one.wav"]
        assert (tmp_path / "mixes" / "one.wav").read_bytes() == before


def test_an_upload_that_breaks_off_leaves_nothing(tmp_path: Path) -> None:
    with desk_of(tmp_path) as desk:
        answer = ask(
            guarded(desk), "PUT", "/files/new.wav", own("PUT"), [b"RIFF"], query="as=mix", breaks_off=True
        )
        assert answer.status == 413
        assert names_in(tmp_path / "mixes") == []


def test_a_slow_upload_is_given_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("autochain.desk.server._SLOWEST_S", 0.05)

    async def run(application: Any) -> Any:
        told: list[Any] = []

        async def receive() -> Any:
            await asyncio.sleep(10.0)

        async def send(message: Any) -> None:
            told.append(message)

        scope = {
            "type": "http", "method": "PUT", "path": "/files/new.wav", "raw_path": b"/files/new.wav",
            "query_string": b"as=mix", "root_path": "", "scheme": "http", "http_version": "1.1",
            "headers": [(name.encode(), value.encode()) for name, value in own("PUT")],
            "client": ("127.0.0.1", 1), "server": ("127.0.0.1", PORT),
        }  # fmt: skip
        await application(scope, receive, send)
        return told[0]["status"]

    with desk_of(tmp_path) as desk:
        began = time.monotonic()
        assert in_a_loop(run(guarded(desk))) == 400
        assert time.monotonic() - began < 5.0
        assert names_in(tmp_path / "mixes") == []


def test_sources_are_never_written(tmp_path: Path) -> None:
    """Whatever is dropped under the name of a mix that is there."""
    other = write_mix(tmp_path / "other.wav", seed=9).read_bytes()
    with desk_of(tmp_path, "one.wav") as desk:
        before = (tmp_path / "mixes" / "one.wav").read_bytes()
        answer = ask(guarded(desk), "PUT", "/files/one.wav", body=[other], query="as=mix")
        assert json.loads(answer.body)["name"] == "one-2.wav"
        assert (tmp_path / "mixes" / "one.wav").read_bytes() == before


async def heard(desk: Desk, query: str, seconds: float = 0.5) -> list[Any]:
    """What a page hears of the desk in so long."""
    told: list[bytes] = []

    async def receive() -> Any:
        await asyncio.sleep(seconds)
        return {"type": "http.disconnect"}

    async def send(message: Any) -> None:
        told.append(message.get("body", b""))

    scope = {
        "type": "http", "method": "GET", "path": "/events", "raw_path": b"/events", "query_string": query.encode(),
        "root_path": "", "scheme": "http", "http_version": "1.1",
        "headers": [(name.encode(), value.encode()) for name, value in own()],
        "client": ("127.0.0.1", 1), "server": ("127.0.0.1", PORT),
    }  # fmt: skip
    await guarded(desk)(scope, receive, send)
    # HTML standard, 9.2.6 "Interpreting an event stream": fields by line, an empty line ends an event.
    data = [line[6:] for line in b"".join(told).decode().split("\n") if line.startswith("data: ")]
    return [json.loads(one) for one in data]


def test_a_page_that_comes_back_is_told_everything_and_one_that_begins_only_what_is_new(tmp_path: Path) -> None:
    with desk_of(tmp_path, "one.wav") as desk:
        until(lambda: len(desk.checked) == 1 and not desk.work.doing().words)
        song = desk.songs[0].id
        desk.opened(song)
        ask(guarded(desk), "GET", f"/song/{song}")  # compiles the templates
        until(lambda: not desk.work.doing().words)
        first = in_a_loop(heard(desk, f"song={song}"))
        assert first[0]["kind"] == "work"
        again = in_a_loop(heard(desk, f"song={song}&again=1"))
        parts = [one["id"] for one in again if one["kind"] == "fragment"]
        assert {"head", "chain", "loud"} <= set(parts)
        assert [one["kind"] for one in again].count("versions") == 1
        assert all(f'id="{one["id"]}"' in one["html"] for one in again if one["kind"] == "fragment")
        songs = in_a_loop(heard(desk, "again=1"))
        assert [one["id"] for one in songs if one["kind"] == "fragment"] == ["songs"]
        assert ask(guarded(desk), "GET", "/events", query="song=000000000000").status == 400


def test_a_flood_is_refused_beyond_what_is_answered_at_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    go = threading.Event()

    def slow(*given: Any) -> Answer:
        go.wait(20.0)
        return Answer()

    async def flood(application: Any) -> list[int]:
        tasks = [
            asyncio.create_task(asked(application, "POST", "/do", body=[b'{"action": "stop"}'])) for _ in range(200)
        ]
        await asyncio.sleep(0.3)
        refused = sum(task.done() for task in tasks)
        go.set()
        answers = [(await task).status for task in tasks]
        assert answers.count(503) == refused
        return answers

    with desk_of(tmp_path) as desk:
        monkeypatch.setattr("autochain.desk.server.act", slow)
        application = guarded(desk)
        answers = in_a_loop(flood(application))
        assert (answers.count(200), answers.count(503)) == (24, 176)
        monkeypatch.undo()
        assert ask(application, "GET", "/").status == 200


def test_the_longest_body_is_taken_and_one_byte_more_is_not(tmp_path: Path) -> None:
    with desk_of(tmp_path) as desk:
        body = b'{"action": "stop"}'.ljust(LONGEST_BODY)
        assert ask(guarded(desk), "POST", "/do", body=[body]).status == 200
        assert ask(guarded(desk), "POST", "/do", body=[body + b" "]).status == 413


def test_a_song_says_how_far_it_is(tmp_path: Path) -> None:
    with desk_of(tmp_path, "one.wav") as desk:
        song = desk.songs[0]
        song.out.mkdir(exist_ok=True)
        states = [song.state]
        for name in ("one.sheet.json", "03-one.master.wav", "one.delivery.json"):
            (song.out / name).touch()
            states.append(song.state)
        assert states == ["nothing yet", "sheet", "master", "delivered"]


def test_results_in_the_folder_of_the_mixes_are_no_songs(tmp_path: Path) -> None:
    mixes = tmp_path / "mixes"
    write_mix(mixes / "one.wav")
    for name in ("one.master.wav", "01-one.master.wav", "one.master.16bit.flac", "one.preview.wav"):
        soundfile.write(mixes / name, np.zeros((100, 2)), 44100)
    desk = Desk([mixes], mixes)
    try:
        assert [song.name for song in desk.songs] == ["one.wav"]
    finally:
        desk.close()


def test_what_has_to_be_done_first_is_told_and_everything_else_waits_for_it(tmp_path: Path) -> None:
    write_mix(tmp_path / "mixes" / "one.wav")
    go_on = threading.Event()

    def first(progress: Progress) -> None:
        progress("compiling, once after an installation", 0.5)
        go_on.wait(30.0)

    desk = Desk([tmp_path / "mixes"], tmp_path / "out", first=first)
    try:
        until(lambda: desk.work.doing().phase != "")
        told = desk.work_now()
        assert (told["words"], told["phase"], told["share"]) == ("", "compiling, once after an installation", 0.5)
        assert not desk.checked
        go_on.set()
        until(lambda: len(desk.checked) == 1)
    finally:
        go_on.set()
        desk.close()


def test_a_mix_that_is_written_anew_is_checked_and_opened_anew(tmp_path: Path) -> None:
    with desk_of(tmp_path, "one.wav") as desk:
        until(lambda: len(desk.checked) == 1)
        song = desk.songs[0]
        before, verdict = desk.opened(song.id).mix.sha256, desk.checked[song.id]
        write_mix(song.path, 5.0, seed=7)
        ask(guarded(desk), "GET", "/")
        until(lambda: desk.checked.get(song.id, verdict).duration_s == 5.0)
        assert desk.opened(song.id).mix.sha256 != before


def test_what_is_under_the_hand_is_the_same_in_two_tabs(tmp_path: Path) -> None:
    async def both(desk: Desk, song: str) -> list[list[Any]]:
        tabs = [asyncio.create_task(heard(desk, f"song={song}", 1.5)) for _ in range(2)]
        await asyncio.sleep(0.3)
        turn = {"action": "aim", "lufs": -12.5}
        answer = await asked(guarded(desk), "POST", f"/song/{song}/do", body=[json.dumps(turn).encode()])
        assert answer.status == 200, answer.body
        assert json.loads(answer.body)["place"]["stop_s"] <= 4.0
        return [await tab for tab in tabs]

    with desk_of(tmp_path, "one.wav") as desk:
        song = desk.songs[0].id
        opened = desk.opened(song)
        ask(guarded(desk), "GET", f"/song/{song}")
        until(lambda: opened.state is not None and not desk.work.doing().words)
        for told in in_a_loop(both(desk, song)):
            fragments = {one["id"]: one["html"] for one in told if one["kind"] == "fragment"}
            assert "-12.5" in "".join(fragments.values())
            (versions,) = [one["versions"] for one in told if one["kind"] == "versions"][-1:]
            assert [one["key"] for one in versions][:2] == ["mix", "hand"]


def test_a_command_that_runs_in_the_same_folder_is_told_of_in_one_line(tmp_path: Path) -> None:
    with desk_of(tmp_path, "one.wav") as desk:
        song = desk.songs[0].id
        opened = desk.opened(song)
        until(lambda: opened.state is not None and not desk.work.doing().words)
        said: list[str] = []
        desk.events.publish = lambda to, told: said.append(told.get("words", ""))  # type: ignore[method-assign]
        with output_set(tmp_path / "out", "one.suggest"):
            answer = ask(guarded(desk), "POST", f"/song/{song}/do", body=[b'{"action": "search"}'])
            assert answer.status == 200
            until(lambda: any(f"Running, process {os.getpid()}, since" in one for one in said))


def test_songs_that_are_opened_and_closed_leave_no_thread_behind(tmp_path: Path) -> None:
    with desk_of(tmp_path, "one.wav", "two.wav") as desk:
        one, two = (song.id for song in desk.songs)

        def some(count: int) -> int:
            for _ in range(count):
                desk.opened(one)
                desk.opened(two)
            until(lambda: not desk.work.doing().words)
            return threading.active_count()

        before = some(1)
        assert some(2) <= before
