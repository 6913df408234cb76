"""The bus against a real mosquitto that hangs, dies, forgets, refuses and is slow."""

from __future__ import annotations

import asyncio
import os
import shutil
import signal
import subprocess
import sys
from contextlib import asynccontextmanager
from dataclasses import replace
from math import inf
from pathlib import Path

import pytest
from bus.conftest import QUICK, Maker, listening, rests, running, states, until
from bus.every_record import a_rest, a_sample
from msgspec import structs
from support import absent

from logger.bus import Bus

PERSISTENT = """allow_anonymous true
persistence true
persistence_location {folder}/
autosave_on_changes true
autosave_interval 1"""


KILLED = """
import asyncio, sys
from logger.bus import Bus
from logger.bus_settings import BusSettings
async def main():
    bus = Bus(BusSettings(), "barn", print, print, boot="killed", pads=["P1"])
    await bus.run("127.0.0.1", int(sys.argv[1]))
asyncio.run(main())
"""


def test_the_will_speaks_for_a_daemon_that_was_killed(mosquitto: Maker) -> None:
    # MQTT 3.1.1, 3.1.2.5: abrupt loss publishes the will, live with retain=0 (from memory)
    broker = mosquitto()

    async def scenario() -> None:
        async with listening(broker.port, "restpoint/barn/state") as heard:
            victim = subprocess.Popen(
                [sys.executable, "-c", KILLED, str(broker.port)], stdout=subprocess.DEVNULL
            )
            try:
                await until(lambda: states(heard) == ["online"], 10)
            finally:
                victim.kill()
                victim.wait()
            await until(lambda: states(heard) == ["online", "lost"])
            assert not heard[-1].retain
        async with listening(broker.port, "restpoint/barn/state") as late:
            await until(lambda: late)
            assert (states(late), late[0].retain) == (["lost"], True)

    asyncio.run(scenario())


def test_cancelling_says_offline_too(mosquitto: Maker) -> None:
    broker = mosquitto()

    async def scenario() -> None:
        async with listening(broker.port, "restpoint/barn/state") as heard:
            bus = Bus(QUICK, "barn", print, lambda _: None, boot="b", pads=["P1"])
            task = asyncio.create_task(bus.run("127.0.0.1", broker.port))
            await until(lambda: states(heard) == ["online"])
            await until(lambda: bus.connected)
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)
            await until(lambda: states(heard) == ["online", "offline"])

    asyncio.run(scenario())


class Answering:
    """A client that answers when told, and waits for that as aiomqtt does."""

    def __init__(self) -> None:
        self.answer = asyncio.Event()

    async def publish(self, *_: object, timeout: float, **__: object) -> None:
        await asyncio.wait_for(self.answer.wait(), None if timeout == inf else timeout)
        self.answer.clear()


def test_a_cancellation_that_meets_an_answer_is_not_lost() -> None:
    async def scenario() -> None:
        client = Answering()
        bus = Bus(QUICK, "barn", print, print, boot="b", pads=["P1"])
        task = asyncio.create_task(bus._liveness(client))  # type: ignore[arg-type]  # all it needs
        await asyncio.sleep(0.01)
        client.answer.set()
        await asyncio.sleep(0)
        task.cancel()
        await asyncio.wait([task], timeout=0.2)
        assert task.cancelled(), "it went on as if nothing had been said"

    asyncio.run(scenario())


def test_a_broker_that_hangs_gets_each_rest_once_and_in_order(mosquitto: Maker) -> None:
    broker = mosquitto()

    async def scenario() -> None:
        async with listening(broker.port, "restpoint/barn/#") as heard, running(broker.port) as at:
            at.bus.put(a_rest(1))
            await until(lambda: rests(heard) == [1])
            broker.signal(signal.SIGSTOP)
            files = len(os.listdir("/proc/self/fd"))
            for number in range(2, 8):
                at.bus.put(a_rest(number))
                at.bus.put(a_sample(mass_kg=5000.0 + number))
            await until(lambda: not at.bus.connected)
            at.bus.put(a_rest(8))
            await asyncio.sleep(1.2)  # some attempts meet a broker that accepts and says nothing
            assert len(os.listdir("/proc/self/fd")) <= files + 1, (
                "failed attempts must not leave sockets open"
            )
            live_before = len([m for m in heard if "/live/" in m.topic])
            broker.signal(signal.SIGCONT)
            await until(lambda: len(rests(heard)) >= 8)
            await asyncio.sleep(0.3)
            assert rests(heard) == list(range(1, 9))
            assert at.bus.counts.spared == 1, "one was under way when the broker hung, and had arrived"
            live = [m for m in heard if "/live/" in m.topic][live_before:]
            assert [m for m in live if float(str(m.said["age_s"])) > 1.0] == []
            assert states(heard)[-1] == "online"

    asyncio.run(scenario())


def test_a_broker_killed_and_restarted_gets_each_rest_once_and_in_order(
    mosquitto: Maker, tmp_path: Path
) -> None:
    broker = mosquitto(PERSISTENT.format(folder=tmp_path))

    async def scenario() -> None:
        async with running(broker.port) as at:
            got: list[int] = []
            for life in range(3):
                keep = {
                    "identifier": "listener",
                    "clean_session": False,
                }  # the broker keeps for it what it missed
                async with listening(broker.port, "restpoint/barn/#", **keep) as heard:
                    await until(lambda: at.bus.connected)
                    at.bus.put(a_rest(10 * life))
                    await until(lambda heard=heard, life=life: rests(heard)[-1:] == [10 * life])
                    await asyncio.sleep(0.25)  # for the broker to write down that the listener has it
                    got += rests([m for m in heard if not m.retain])
                broker.kill()
                await until(lambda: not at.bus.connected)
                for number in range(1, 6):
                    at.bus.put(a_rest(10 * life + number))
                broker.start()
            assert got == [0, 1, 2, 3, 4, 5, 10, 11, 12, 13, 14, 15, 20]
            assert [s.connected for s in at.states][:3] == [True, False, True]

    asyncio.run(scenario())


def test_broken_connections_leave_nothing_in_the_log(
    mosquitto: Maker, caplog: pytest.LogCaptureFixture
) -> None:
    broker = mosquitto()

    async def scenario() -> None:
        loop = asyncio.get_running_loop()
        seen: list[str] = []
        loop.set_exception_handler(lambda _, context: seen.append(context["message"]))
        async with running(broker.port) as at:
            for number in range(6):
                at.bus.put(a_rest(number))
                broker.kill()
                at.bus.put(a_rest(number))
                await until(lambda: not at.bus.connected)
                broker.start()
                await until(lambda: at.bus.connected)
            loop.call_exception_handler({"message": "somebody else's fault"})
        assert seen == ["somebody else's fault"]

    asyncio.run(scenario())
    assert caplog.records == []


def test_a_broker_that_forgot_gets_again_what_was_retained(mosquitto: Maker) -> None:
    broker = mosquitto()

    async def scenario() -> None:
        async with running(broker.port) as at:
            for number in (1, 2):
                at.bus.put(a_rest(number))
            await until(lambda: at.bus.counts.sent == 2)
            broker.kill()
            await until(lambda: not at.bus.connected)
            broker.start()
            await until(lambda: at.bus.connected)
            async with listening(broker.port, "restpoint/barn/rest/+") as heard:
                await until(lambda: heard)
                assert rests(heard) == [2]
            assert at.bus.counts.restored == 1

    asyncio.run(scenario())


def test_rests_wait_for_a_broker_that_is_not_there_yet(mosquitto: Maker) -> None:
    broker = mosquitto(started=False)

    async def scenario() -> None:
        few = replace(QUICK, queue_most=5, live_most_age_s=0.05)
        async with running(broker.port, few, wait=False) as at:
            for number in range(8):
                at.bus.put(a_rest(number))
                at.bus.put(a_sample())
            await until(lambda: at.states)
            assert "refused" in at.states[0].detail
            broker.start()
            async with listening(broker.port, "restpoint/barn/#") as heard:
                await until(lambda: len(rests(heard)) >= 1 and at.bus.counts.sent == 5)
            await asyncio.sleep(0.15)  # some turns of the live values
            late = at.bus.counts
            assert (at.bus.outbox.overflowed, late.live_unsent, late.live_sent) == (3, 8, 0)
            async with listening(broker.port, "restpoint/barn/rest/P1") as heard:
                await until(lambda: heard)
                assert rests(heard) == [7]

    asyncio.run(scenario())


def test_a_full_queue_lets_revisions_go_before_rests(mosquitto: Maker) -> None:
    broker = mosquitto(started=False)

    async def scenario() -> None:
        async with running(broker.port, replace(QUICK, queue_most=4), wait=False) as at:
            at.bus.put(a_rest(1))
            standing = a_rest(2)
            for revision in range(20):
                at.bus.put(structs.replace(standing, revision=revision, mass_kg=2 + revision / 1000))
            at.bus.put(a_rest(3))
            broker.start()
            async with listening(broker.port, "restpoint/barn/rest/P1") as heard:
                await until(lambda: at.bus.outbox.superseded + at.bus.counts.sent >= 22)
            assert at.bus.outbox.overflowed == 0
            assert at.bus.outbox.superseded + at.bus.counts.sent == 22
            assert rests(heard)[-1] == 3

    asyncio.run(scenario())


def test_without_the_password_it_says_so_and_with_it_serves(mosquitto: Maker, tmp_path: Path) -> None:
    passwords, secret = tmp_path / "passwords", tmp_path / "secret"
    subprocess.run(
        ["mosquitto_passwd", "-b", "-c", passwords, "barn", "hay"], check=True, capture_output=True
    )
    secret.write_text("hay\n")
    broker = mosquitto(f"allow_anonymous false\npassword_file {passwords}")

    async def scenario() -> None:
        async with running(broker.port, wait=False) as at:
            await until(lambda: at.states)
            assert "Not authorized" in at.states[0].detail
        named = replace(QUICK, username="barn", password_file=str(secret))
        async with running(broker.port, named) as at:
            assert at.states[0].connected
        gone = replace(named, password_file=str(tmp_path / "nowhere"))
        async with running(broker.port, gone, wait=False) as at:
            await until(lambda: at.states)
            assert "nowhere" in at.states[0].detail
        secret.write_bytes(b"\xff\n")
        async with running(broker.port, named, wait=False) as at:
            await until(lambda: at.states)
            assert "cannot be read" in at.states[0].detail
            secret.write_text("hay\n")
            await until(lambda: at.bus.connected)

    asyncio.run(scenario())


@asynccontextmanager
async def slow_way(to_port: int, delay_s: float):  # type: ignore[no-untyped-def]  # test helper
    """A port that leads to the broker, with every piece of an answer held back."""
    writers: list[asyncio.StreamWriter] = []

    async def carry(reader: asyncio.StreamReader, writer: asyncio.StreamWriter, wait_s: float) -> None:
        writers.append(writer)
        while piece := await reader.read(65536):
            await asyncio.sleep(wait_s)
            writer.write(piece)

    async def meet(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        up_reader, up_writer = await asyncio.open_connection("127.0.0.1", to_port)
        await asyncio.gather(
            carry(reader, up_writer, 0), carry(up_reader, writer, delay_s), return_exceptions=True
        )

    server = await asyncio.start_server(meet, "127.0.0.1", 0)
    try:
        yield server.sockets[0].getsockname()[1]
    finally:
        for writer in writers:
            writer.close()
        server.close()


def test_a_slow_broker_keeps_order_and_does_not_hold_live_values_up(mosquitto: Maker) -> None:
    broker = mosquitto()

    async def scenario() -> None:
        async with (
            slow_way(broker.port, 0.1) as port,
            listening(broker.port, "restpoint/barn/#") as heard,
            running(port) as at,
        ):
            for number in range(6):
                at.bus.put(a_rest(number))
            while len(rests(heard)) < 6:
                at.bus.put(a_sample())
                await asyncio.sleep(0.02)
            assert rests(heard) == list(range(6))
            live = [m for m in heard if m.topic.endswith("live/P1")]
            assert len(live) > 6, "live values must not wait for the answers to rests"
            assert all(float(str(m.said["age_s"])) < 0.5 for m in live)

    asyncio.run(scenario())


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")  # paho drops a refused socket
def test_a_broker_over_tls(mosquitto: Maker, tmp_path: Path) -> None:
    if shutil.which("openssl") is None:
        absent("openssl (apt install openssl)")
    key, certificate = tmp_path / "key.pem", tmp_path / "cert.pem"
    ask = "openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -days 1 -subj /CN=localhost"
    files = ["-addext", "subjectAltName=IP:127.0.0.1", "-keyout", key, "-out", certificate]
    subprocess.run([*ask.split(), *files], check=True, capture_output=True)
    broker = mosquitto(f"allow_anonymous true\ncertfile {certificate}\nkeyfile {key}")

    async def scenario() -> None:
        async with running(broker.port, replace(QUICK, tls=True, ca_file=str(certificate))) as at:
            assert at.bus.connected
        async with running(broker.port, replace(QUICK, tls=True), wait=False) as at:
            await until(lambda: at.states)
            assert "certificate verify failed" in at.states[0].detail

    asyncio.run(scenario())


def test_a_hung_broker_is_noticed_though_nothing_is_weighed(mosquitto: Maker) -> None:
    broker = mosquitto()

    async def scenario() -> None:
        async with running(broker.port) as at:
            broker.signal(signal.SIGSTOP)
            await until(lambda: not at.bus.connected, QUICK.health_s + QUICK.timeout_s + 1.0)
            broker.signal(signal.SIGCONT)
            await until(lambda: at.bus.connected)

    asyncio.run(scenario())
