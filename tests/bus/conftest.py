"""What the bus tests share: a real mosquitto, somebody who listens to it, and a bus at work."""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path

import aiomqtt
import msgspec
import pytest
from support import absent
from support.mosquitto import MOSQUITTO, Mosquitto

from logger import model
from logger.bus import Bus, BusSettings, BusState

QUICK = BusSettings(
    timeout_s=0.4, health_s=0.3, retry_first_s=0.05, retry_most_s=0.2, live_Hz=20.0, keepalive_s=5
)


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[Callable[..., Mosquitto]]:
    """Make brokers; each is ended with the test."""
    if MOSQUITTO is None:
        absent("mosquitto (apt install mosquitto)")
    made: list[Mosquitto] = []

    def make(more: str = "allow_anonymous true", started: bool = True) -> Mosquitto:
        folder = tmp_path / f"broker{len(made)}"
        folder.mkdir()
        made.append(Mosquitto(folder, more))
        if started:
            made[-1].start()
        return made[-1]

    yield make
    for one in made:
        if one.process is not None and one.process.poll() is None:
            one.kill()


@dataclass
class Heard:
    """One message as a listener got it."""

    topic: str
    payload: bytes
    retain: bool

    @property
    def said(self) -> dict[str, object]:
        body: dict[str, object] = msgspec.json.decode(self.payload)
        return body


@asynccontextmanager
async def listening(port: int, topic: str = "#", **options: object) -> AsyncIterator[list[Heard]]:
    """Collect what comes, for as long as the block lasts."""
    heard: list[Heard] = []

    async def collect(client: aiomqtt.Client) -> None:
        async for message in client.messages:
            heard.append(Heard(message.topic.value, bytes(message.payload), message.retain))  # noqa: PERF401  seen while it runs

    async with aiomqtt.Client("127.0.0.1", port, **options) as client:
        await client.subscribe(topic, qos=1)
        task = asyncio.create_task(collect(client))
        try:
            yield heard
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)


async def until(true: Callable[[], object], within_s: float = 5.0) -> None:
    """Wait for something to become true."""
    deadline = time.monotonic() + within_s
    while not true():
        assert time.monotonic() < deadline, "it did not happen in time"
        await asyncio.sleep(0.01)


@dataclass
class Running:
    """A bus at work, with what it told."""

    bus: Bus
    task: asyncio.Task[None]
    states: list[BusState]
    commands: list[model.Command]


@asynccontextmanager
async def running(
    port: int, settings: BusSettings = QUICK, boot: str = "boot1", wait: bool = True
) -> AsyncIterator[Running]:
    """Run a bus for bay `barn` with pad P1; stopped in order at the end."""
    states: list[BusState] = []
    commands: list[model.Command] = []
    bus = Bus(settings, "barn", commands.append, states.append, boot=boot, pads=["P1"])
    task = asyncio.create_task(bus.run("127.0.0.1", port))
    try:
        if wait:
            await until(lambda: bus.connected)
        yield Running(bus, task, states, commands)
    finally:
        await bus.stop()
        await asyncio.wait_for(task, 5)


Maker = Callable[..., Mosquitto]


def rests(heard: list[Heard]) -> list[int]:
    """The rests that came, by their whole kilograms, in the order of their coming."""
    return [round(float(str(m.said["value"]))) for m in heard if m.topic.endswith("rest/P1") and m.payload]


def states(heard: list[Heard]) -> list[str]:
    return [str(m.said["state"]) for m in heard if m.topic.endswith("/state")]
