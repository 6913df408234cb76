"""Captures that were written down and never said: after the next start each comes once, in order."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence

import aiomqtt
import msgspec
import pytest
from bus.conftest import QUICK, Heard, Maker, listening, until
from bus.every_record import one_of_each
from bus.test_topics import check

from logger.bus import Bus
from logger.model import Capture
from logger.topics import Topics
from logger.untold import FAR, Earlier, untold

NOW = (5_000_000_000, 1_800_000_100_000_000_000)


def captures(count: int) -> list[Capture]:
    (one,) = (record for record in one_of_each() if isinstance(record, Capture))
    return [
        msgspec.structs.replace(
            one, number=n, mass_kg=900.0 + n, t_mono_ns=10**15 + n, t_wall_ns=NOW[1] - 10**10
        )
        for n in range(1, count + 1)
    ]


def as_told(capture: Capture, boot: str, seq: int) -> bytes:
    message = Topics("barn", boot).message(capture, seq, 0)
    assert message is not None
    return Topics("barn", boot).payload(message, capture.t_mono_ns)


def test_only_what_stands_behind_the_last_that_was_told_is_left() -> None:
    one, two, three = captures(3)
    earlier = [("a", one), ("a", two), ("b", three)]
    left = untold(as_told(one, "a", 7), earlier, "barn", "kg", NOW, [("a", 7), ("a", 9), ("c", 3)])
    said = [(m.body["boot"], m.body["number"], m.seq, m.body["seq"]) for m in left]
    assert said == [("a", 2, 9 + FAR, 9 + FAR), ("b", 3, FAR + 1, FAR + 1)]
    assert [msgspec.json.decode(Topics("barn", "z").payload(m, NOW[0]))["age_s"] for m in left] == [
        10.0,
        10.0,
    ]
    assert untold(as_told(three, "b", 1), earlier, "barn", "kg", NOW, []) == []


@pytest.mark.parametrize("retained", [b"", b"{", b"[1]", b"\xff", as_told(captures(1)[0], "this start", 3)])
def test_where_nobody_knows_what_was_told_nothing_is_said_again(retained: bytes) -> None:
    earlier = [("a", capture) for capture in captures(3)]
    assert untold(retained, earlier, "barn", "kg", NOW, []) == []


def test_what_was_told_in_another_unit_is_not_taken_for_another() -> None:
    one, two = captures(2)
    assert untold(as_told(one, "a", 1), [("a", one), ("a", two)], "barn", "lb", NOW, []) == []


def test_they_come_once_and_before_those_of_this_start(mosquitto: Maker) -> None:
    broker = mosquitto()
    one, two, three, four = captures(4)

    async def speak(
        boot: str, earlier: Earlier, own: Sequence[Capture], count: int, heard: list[Heard]
    ) -> None:
        bus = Bus(QUICK, "barn", lambda _: None, lambda _: None, boot=boot, pads=["P1"], earlier=earlier)
        for capture in own:
            bus.put(capture)
        task = asyncio.create_task(bus.run("127.0.0.1", broker.port))
        await until(lambda: len(heard) == count)
        await asyncio.sleep(0.2)
        await bus.stop()
        await asyncio.wait_for(task, 5)

    async def scenario() -> None:
        async with listening(broker.port, "restpoint/barn/capture") as heard:
            await speak("a", [], [one], 1, heard)
            written = [("a", one), ("a", two), ("a", three)]  # killed before it could say two of them
            await speak("b", written, [four], 4, heard)
            await speak("c", [*written, ("b", four)], [], 4, heard)
        said = [check(m.topic, m.payload) for m in heard]
        assert [(s["boot"], s["number"]) for s in said] == [("a", 1), ("a", 2), ("a", 3), ("b", 4)]
        seqs = [s["seq"] for s in said if s["boot"] == "a"]
        assert seqs == sorted(set(seqs))

    asyncio.run(scenario())


def test_a_connection_that_breaks_in_the_midst_doubles_none(mosquitto: Maker) -> None:
    broker = mosquitto()
    written = [("a", capture) for capture in captures(40)]

    async def scenario() -> None:
        async with aiomqtt.Client("127.0.0.1", broker.port) as before:
            await before.publish("restpoint/barn/capture", as_told(written[0][1], "a", 5), qos=1, retain=True)
        async with listening(broker.port, "restpoint/barn/capture") as heard:
            await until(lambda: len(heard) == 1)
            bus = Bus(QUICK, "barn", lambda _: None, lambda _: None, boot="b", pads=["P1"], earlier=written)
            task = asyncio.create_task(bus.run("127.0.0.1", broker.port))
            while len(heard) < 40:
                await asyncio.sleep(0.02)
                async with aiomqtt.Client("127.0.0.1", broker.port, identifier="restpoint-barn"):
                    await asyncio.sleep(0.02)  # the broker ends the other connection of this name
                await asyncio.sleep(0.15)
            await bus.stop()
            await asyncio.wait_for(task, 5)
        assert [m.said["number"] for m in heard] == list(range(1, 41))

    asyncio.run(scenario())
