"""Which broker serves: the configured, one that answers, mosquitto, the embedded one, none."""

from __future__ import annotations

import asyncio
import os
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import aiomqtt
import pytest
from bus.conftest import listening, running, until
from bus.every_record import a_rest
from support import absent
from support.mosquitto import MOSQUITTO, Mosquitto, free_port

from logger import broker as broker_module
from logger.broker import BrokerSettings, OwnKind, answers, broker, mosquitto_config

KINDS: tuple[OwnKind, ...] = ("mosquitto", "embedded")


def needs(kind: OwnKind) -> None:
    if kind == "mosquitto" and MOSQUITTO is None:
        absent("mosquitto (apt install mosquitto)")
    if kind == "embedded":
        try:
            import iotcore  # noqa: F401  only whether it is there
        except ImportError:
            absent("the optional broker (pip install 'restpoint[broker]')")


def listener_of(port: int) -> tuple[str, int]:
    """Address that listens on a port (hex as in /proc/net/tcp) and the process that does."""
    for line in Path("/proc/net/tcp").read_text().splitlines()[1:]:
        fields = line.split()
        address, number = fields[1].split(":")
        if int(number, 16) == port and fields[3] == "0A":
            return address, holder_of_socket(fields[9])
    pytest.fail(f"nobody listens on {port}")


def holder_of_socket(inode: str) -> int:
    for pid in filter(str.isdecimal, os.listdir("/proc")):
        try:
            links = [os.readlink(f"/proc/{pid}/fd/{fd}") for fd in os.listdir(f"/proc/{pid}/fd")]
        except OSError:
            continue
        if f"socket:[{inode}]" in links:
            return int(pid)
    pytest.fail("its process is not to be seen")


def test_a_configured_broker_is_taken_without_a_look() -> None:
    async def scenario() -> None:
        async with broker(BrokerSettings(host="10.1.2.3", port=1884)) as at:
            assert (at.host, at.port, at.kind) == ("10.1.2.3", 1884, "configured")

    asyncio.run(scenario())


def test_one_that_answers_here_is_used(mosquitto: Callable[..., Mosquitto]) -> None:
    theirs = mosquitto()

    async def scenario() -> None:
        async with broker(BrokerSettings(port=theirs.port)) as at:
            assert (at.port, at.kind) == (theirs.port, "found")
        assert await answers("127.0.0.1", theirs.port, 1.0), "it is not ours to end"

    asyncio.run(scenario())


@pytest.mark.parametrize("kind", KINDS)
def test_one_of_our_own_serves_loopback_only_and_ends_with_the_block(
    kind: OwnKind, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    needs(kind)

    async def scenario() -> None:
        async with broker(BrokerSettings(port=free_port(), kinds=(kind,), state_folder=str(tmp_path))) as at:
            assert (at.host, at.kind) == ("127.0.0.1", kind)
            address, pid = listener_of(at.port)
            assert address == "0100007F"
            if kind == "mosquitto":
                assert f"Uid:\t{os.getuid() or 65534}" in Path(f"/proc/{pid}/status").read_text()
            async with running(at.port) as bus:
                bus.bus.put(a_rest(242))
                await until(lambda: bus.bus.counts.sent == 1)
                async with listening(at.port, "restpoint/barn/rest/+") as heard:
                    await until(lambda: heard)
                    assert heard[0].retain
        assert not await answers("127.0.0.1", at.port, 0.5)

    asyncio.run(scenario())
    assert caplog.records == [], "a connection that goes well leaves nothing in the log"


@pytest.mark.parametrize("kind", KINDS)
def test_one_of_our_own_that_dies_comes_back_and_gets_what_was_retained(kind: OwnKind) -> None:
    needs(kind)
    told: list[str] = []

    async def scenario() -> None:
        async with (
            broker(BrokerSettings(port=free_port(), kinds=(kind,)), told.append) as at,
            running(at.port) as bus,
        ):
            bus.bus.put(a_rest(242))
            await until(lambda: bus.bus.counts.sent == 1)
            os.kill(listener_of(at.port)[1], signal.SIGKILL)
            await until(lambda: not bus.bus.connected)
            await until(lambda: bus.bus.connected, 10)
            async with listening(at.port, "restpoint/barn/rest/+") as heard:
                await until(lambda: heard)
                assert heard[0].said["value"] == 242.0
        assert len(told) == 1
        assert "started again" in told[0]

    asyncio.run(scenario())


def test_the_embedded_one_publishes_the_will() -> None:
    needs("embedded")

    async def scenario() -> None:
        async with broker(BrokerSettings(port=free_port(), kinds=("embedded",))) as at:
            will = aiomqtt.Will("t/state", b"lost", 1, True)
            async with listening(at.port, "t/#") as heard:
                client = aiomqtt.Client("127.0.0.1", at.port, will=will)
                await client.__aenter__()
                socket = client._client.socket()
                assert socket is not None
                socket.shutdown(2)
                await until(lambda: heard and heard[0].payload == b"lost")
                with pytest.raises(aiomqtt.MqttError):
                    await client.publish("t/x")

    asyncio.run(scenario())


def test_a_port_taken_by_something_else_is_left_alone(tmp_path: Path) -> None:
    needs("mosquitto")

    async def mute(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read(100)
        writer.write(b"HTTP/1.1 400 Bad Request\r\n\r\n")
        writer.close()

    async def scenario() -> None:
        server = await asyncio.start_server(mute, "127.0.0.1", 0)
        taken = server.sockets[0].getsockname()[1]
        async with server, broker(BrokerSettings(port=taken, kinds=("mosquitto",))) as at:
            assert at.kind == "mosquitto"
            assert at.port != taken

    asyncio.run(scenario())


def test_without_any_it_goes_on_and_says_what_is_missing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(broker_module.shutil, "which", lambda *_, **__: None)
    monkeypatch.setattr(broker_module, "find_spec", lambda _: None)

    async def scenario() -> None:
        async with broker(BrokerSettings(port=free_port())) as at:
            assert (at.kind, at.port) == ("none", 0)
            assert "apt install mosquitto" in at.detail
            assert "restpoint[broker]" in at.detail
        async with broker(BrokerSettings(port=free_port(), own=False)) as at:
            assert at.kind == "none"

    asyncio.run(scenario())


def test_a_mosquitto_that_cannot_start_leads_to_the_next(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    needs("embedded")
    broken = tmp_path / "mosquitto"
    broken.write_text("#!/bin/sh\necho 'Error: no good' >&2\nexit 3\n")
    broken.chmod(0o755)
    found = broker_module.shutil.which
    monkeypatch.setattr(
        broker_module.shutil,
        "which",
        lambda name, **k: str(broken) if name == "mosquitto" else found(name, **k),
    )

    async def scenario() -> None:
        async with broker(BrokerSettings(port=free_port())) as at:
            assert at.kind == "embedded"
        async with broker(BrokerSettings(port=free_port(), kinds=("mosquitto",))) as at:
            assert at.kind == "none"
            assert "mosquitto did not come up" in at.detail

    asyncio.run(scenario())


HOST = """
import asyncio, sys
from logger.broker import BrokerSettings, broker
async def main():
    async with broker(BrokerSettings(port=int(sys.argv[1]), kinds=(sys.argv[2],))) as at:
        print(at.port, flush=True)
        await asyncio.sleep(60)
asyncio.run(main())
"""


@pytest.mark.parametrize("kind", KINDS)
def test_a_killed_daemon_leaves_no_broker_behind(kind: OwnKind) -> None:
    needs(kind)
    command = [sys.executable, "-c", HOST, str(free_port()), kind]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as host:
        assert host.stdout is not None
        port = int(host.stdout.readline())
        host.kill()

    async def gone() -> None:
        for _ in range(100):
            if not await answers("127.0.0.1", port, 0.2):
                return
            await asyncio.sleep(0.02)
        pytest.fail("it still serves")

    asyncio.run(gone())


def test_our_mosquitto_listens_on_loopback_and_never_to_browsers(tmp_path: Path) -> None:
    lines = mosquitto_config(1883, tmp_path).splitlines()
    assert [line for line in lines if line.startswith("listener")] == ["listener 1883 127.0.0.1"]
    assert "set_tcp_nodelay true" in lines
    assert not [line for line in lines if "websockets" in line]
