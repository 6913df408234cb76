"""The bus on a real mosquitto that is well: what is said, retained and heard, and in which order."""

from __future__ import annotations

import asyncio
import time
from dataclasses import replace
from itertools import pairwise

import aiomqtt
from bus.conftest import QUICK, Maker, listening, rests, running, states, until
from bus.every_record import a_rest, a_sample, one_of_each
from bus.test_topics import check

from logger.topics import CHANNELS


def test_everything_published_is_as_documented(mosquitto: Maker) -> None:
    broker = mosquitto()

    async def scenario() -> None:
        async with listening(broker.port, "restpoint/#") as heard:
            async with running(broker.port) as at:
                for record in one_of_each():
                    at.bus.put(record)
                await until(lambda: at.bus.counts.live_sent >= 2 and at.bus.counts.sent >= 19)
            await until(lambda: states(heard)[-1:] == ["offline"])
        said = [check(m.topic, m.payload) for m in heard]
        assert {s["kind"] for s in said} == set(CHANNELS)
        assert states(heard) == ["online", "offline"]
        ordered = [s["seq"] for s in said if CHANNELS[s["kind"]].qos and s["kind"] not in ("state", "health")]
        assert ordered == list(range(1, len(ordered) + 1))

    asyncio.run(scenario())


def test_a_late_listener_gets_what_is_retained(mosquitto: Maker) -> None:
    # MQTT 3.1.1, 3.3.1.3: a late subscriber gets the retained value with retain=1 (from memory)
    broker = mosquitto()

    async def scenario() -> None:
        async with running(broker.port) as at:
            for record in one_of_each():
                at.bus.put(record)
            await until(lambda: at.bus.counts.sent >= 19)
            async with listening(broker.port, "restpoint/#") as heard:
                await until(lambda: len([m for m in heard if m.retain]) >= 7)
                kinds = {m.said["kind"] for m in heard if m.retain}
        assert kinds == {kind for kind, channel in CHANNELS.items() if channel.retain}

    asyncio.run(scenario())


def test_readings_of_an_earlier_start_are_withdrawn(mosquitto: Maker) -> None:
    broker = mosquitto()

    async def scenario() -> None:
        async with running(broker.port, boot="yesterday") as at:
            for record in one_of_each():
                at.bus.put(record)
            await until(lambda: at.bus.counts.sent >= 19)
        async with running(broker.port, boot="today"), listening(broker.port, "restpoint/#") as heard:
            await until(lambda: len(heard) >= 3)
            boots = {m.said["kind"]: m.said["boot"] for m in heard if m.retain}
            assert boots == {"state": "today", "health": "today", "capture": "yesterday"}

    asyncio.run(scenario())


def test_commands_come_in_and_strange_ones_are_answered(mosquitto: Maker) -> None:
    broker = mosquitto()

    async def scenario() -> None:
        async with aiomqtt.Client("127.0.0.1", broker.port) as button:
            await button.publish("restpoint/barn/do/stop", b"now", qos=1, retain=True)
            async with (
                listening(broker.port, "restpoint/barn/event/command") as heard,
                running(broker.port) as at,
            ):
                await button.publish("restpoint/barn/do/take", b"", qos=1)
                await button.publish("restpoint/barn/do/name", b'{"argument": "seat out"}', qos=1)
                await button.publish("restpoint/barn/do/jump", b"", qos=1)
                await button.publish("restpoint/other/do/take", b"", qos=1)
                await until(lambda: at.bus.counts.commands == 2 and len(heard) == 2)
        orders = [(c.verb, c.argument, c.origin) for c in at.commands]
        assert orders == [("take", "", "bus"), ("name", "seat out", "bus")]
        assert [str(m.said["reason"])[:30] for m in heard] == [
            "a command must not be retained",
            "'jump' is no verb; these are: ",
        ]

    asyncio.run(scenario())


def test_a_flood_of_commands_is_dropped_and_pushes_nothing_out_of_the_queue(mosquitto: Maker) -> None:
    broker = mosquitto()
    few = replace(QUICK, queue_most=50)

    async def scenario() -> None:
        async with (
            listening(broker.port, "restpoint/barn/#") as heard,
            aiomqtt.Client("127.0.0.1", broker.port, max_inflight_messages=1000) as wild,
            running(broker.port, few) as at,
        ):
            at.bus.put(a_rest(1))
            for n in range(600):
                verb, text = ("jump", b"") if n % 2 else ("name", b"x")
                await wild.publish(f"restpoint/barn/do/{verb}", text, qos=1)
            await until(lambda: at.bus.counts.commands + at.bus.counts.commands_refused == 600)
            at.bus.put(a_rest(2))
            await until(lambda: rests(heard) == [1, 2])
            refused = [m for m in heard if m.topic.endswith("event/command")]
            assert at.bus.counts.commands == len(at.commands) < 60
            assert len(refused) < 100
            assert "too many commands at once" in str([m.said["reason"] for m in refused])
            assert at.bus.outbox.overflowed == 0
            await asyncio.sleep(0.5)
            await wild.publish("restpoint/barn/do/take", b"", qos=1)
            await until(lambda: at.commands[-1].verb == "take")

    asyncio.run(scenario())


def test_two_daemons_of_one_name_are_told_apart(mosquitto: Maker) -> None:
    broker = mosquitto()

    async def scenario() -> None:
        second_one = running(broker.port, boot="second", wait=False)
        async with running(broker.port, boot="first") as first, second_one as second:
            await until(lambda: any("another daemon" in s.detail for s in [*first.states, *second.states]))

    asyncio.run(scenario())


def test_a_state_that_somebody_overwrote_is_mended(mosquitto: Maker) -> None:
    broker = mosquitto()

    async def scenario() -> None:
        async with running(broker.port), aiomqtt.Client("127.0.0.1", broker.port) as other:
            for wrong in (b"", b'{"state": "lost", "boot": "earlier"}'):
                await other.publish("restpoint/barn/state", wrong, qos=1, retain=True)
                async with listening(broker.port, "restpoint/barn/state") as heard:
                    await until(lambda heard=heard, wrong=wrong: heard and heard[-1].payload != wrong)
                    assert states(heard[-1:]) == ["online"]

    asyncio.run(scenario())


def test_live_values_are_thinned_and_in_order(mosquitto: Maker) -> None:
    broker = mosquitto()

    async def scenario() -> None:
        async with listening(broker.port, "restpoint/barn/live/#") as heard, running(broker.port) as at:
            began_s = time.monotonic()
            for number in range(160):  # 160 Hz for a second, published at 20 Hz
                at.bus.put(a_sample(mass_kg=float(number)))
                await asyncio.sleep(1 / 160)
            await asyncio.sleep(0.1)
            most = (time.monotonic() - began_s) * QUICK.live_Hz + 2
        for topic in ("live/P1", "live/car"):
            values = [float(str(m.said["value"])) for m in heard if m.topic.endswith(topic)]
            assert 5 <= len(values) <= most
            assert all(a < b for a, b in pairwise(values))

    asyncio.run(scenario())


def test_put_works_from_other_threads(mosquitto: Maker) -> None:
    broker = mosquitto()

    async def scenario() -> None:
        async with running(broker.port) as at:
            jobs = [asyncio.to_thread(lambda: [at.bus.put(a_rest(n)) for n in range(100)]) for _ in range(4)]
            await asyncio.gather(*jobs)
            await until(lambda: at.bus.counts.sent == 400)
            assert at.bus.outbox.overflowed == 0

    asyncio.run(scenario())
