"""Pages are told what is now: the latest of each thing, in bounded room, and all of them let go at the end."""

import asyncio
import threading
from collections.abc import AsyncIterator
from typing import Any

from autochain.desk.events import EVERYWHERE, Events
from tests.desk.asking import in_a_loop


def test_readers_are_told_of_their_own_song_and_of_everything() -> None:
    async def run() -> dict[str, list[Any]]:
        events = Events()
        readers = {"a": events.read("a"), "b": events.read("b"), "songs": events.read(None)}
        heard = await begun(events, readers)
        events.changed("a", ["chain"])
        events.changed(None, ["songs"])
        events.publish("a", {"kind": "said", "song": "a", "words": "one"})
        events.publish("a", {"kind": "said", "song": "a", "words": "two"})
        events.publish(EVERYWHERE, {"kind": "work", "words": "on"})
        return await ended(events, heard)

    heard = in_a_loop(run())
    lines = ["one", "two"]
    assert heard == {"a": ["chain", "on", *lines], "b": ["on"], "songs": ["songs", "on", *lines]}


def test_only_the_latest_waits_for_a_slow_page() -> None:
    async def run() -> list[Any]:
        events = Events()
        heard = await begun(events, {"slow": events.read("a")})
        for share in range(10_000):
            events.publish(EVERYWHERE, {"kind": "work", "words": share})
            events.changed("a", ["chain", "costs"])
            events.publish("a", {"kind": "said", "words": f"line {share}"})
        return (await ended(events, heard))["slow"]

    told = in_a_loop(run())
    assert [one for one in told if not str(one).startswith("line")] == [9999, "chain", "costs"]
    assert [one for one in told if str(one).startswith("line")] == [f"line {9980 + k}" for k in range(20)]


def test_what_comes_first_comes_first_and_threads_may_tell() -> None:
    async def run() -> list[Any]:
        events = Events()
        heard = await begun(events, {"a": events.read("a", [{"kind": "part", "id": "head"}])})
        thread = threading.Thread(target=events.changed, args=("a", ["chain"]))
        thread.start()
        await asyncio.to_thread(thread.join)
        return (await ended(events, heard))["a"]

    assert in_a_loop(run()) == ["head", "chain"]


def test_the_oldest_of_too_many_readers_is_sent_away() -> None:
    async def run() -> tuple[dict[str, list[Any]], int]:
        events = Events()
        heard = await begun(events, {str(k): events.read("a") for k in range(5)})
        await asyncio.sleep(0.05)
        left = events.readers
        events.changed("a", ["chain"])
        return await ended(events, heard), left

    heard, left = in_a_loop(run())
    assert left == 4
    assert heard == {"0": ["away"], **{str(k): ["chain"] for k in range(1, 5)}}


def test_a_reader_that_breaks_off_is_forgotten_and_one_after_the_end_is_let_go() -> None:
    async def run() -> int:
        events = Events()
        reading = asyncio.create_task(anext(events.read("a")))
        await asyncio.sleep(0.01)
        assert events.readers == 1
        reading.cancel()
        await asyncio.gather(reading, return_exceptions=True)
        events.close()
        assert [one async for one in events.read("a")] == []
        return events.readers

    assert in_a_loop(run()) == 0


async def begun(events: Events, readers: dict[str, AsyncIterator[Any]]) -> dict[str, asyncio.Task[list[Any]]]:
    """Read in the background until the end; each reader is there."""

    async def all_of(reader: AsyncIterator[Any]) -> list[Any]:
        return [one.get("words", one.get("id", one["kind"])) async for one in reader]

    heard = {}
    for name, reader in readers.items():
        before = events.readers
        heard[name] = asyncio.create_task(all_of(reader))
        while events.readers == before and before < 4:
            await asyncio.sleep(0.001)
        await asyncio.sleep(0.001)
    return heard


async def ended(events: Events, heard: dict[str, asyncio.Task[list[Any]]]) -> dict[str, list[Any]]:
    await asyncio.sleep(0.4)  # twice as long as it waits between two
    events.close()
    return {name: await task for name, task in heard.items()}
