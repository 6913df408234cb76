"""What the bus tests share: one record of every kind, a real mosquitto, and somebody who listens to it."""

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
from logger.clock import now_ns

QUICK = BusSettings(
    timeout_s=0.4, health_s=0.3, retry_first_s=0.05, retry_most_s=0.2, live_Hz=20.0, keepalive_s=5
)


def a_rest(number: int, pad: str = "P1") -> model.Rest:
    """A rest that is known by its whole kilograms."""
    t_mono_ns, t_wall_ns = now_ns()
    return model.Rest(
        pad=pad,
        t_from_mono_ns=t_mono_ns - 2_000_000_000,
        t_from_wall_ns=t_wall_ns - 2_000_000_000,
        t_declared_mono_ns=t_mono_ns - 1_000_000_000,
        t_to_mono_ns=t_mono_ns,
        declared_mass_kg=number + 0.2,
        declared_u_kg=0.2,
        mass_kg=float(number),
        u_kg=0.1,
        slope_kg_per_s=0.001,
        n=160,
        zero_kg=0.4,
        u_zero_kg=0.02,
        open=True,
    )


def a_sample(pad: str = "P1", mass_kg: float | None = 242.0) -> model.Sample:
    """A reading of now."""
    t_mono_ns, t_wall_ns = now_ns()
    return model.Sample(
        pad=pad,
        t_mono_ns=t_mono_ns,
        t_wall_ns=t_wall_ns,
        mass_wire_kg=mass_kg,
        mass_kg=mass_kg,
        flags=1 | 256,
    )


def one_of_each() -> list[model.Record]:
    """One record of every kind there is but chunks, which stay inside."""
    t, wall = now_ns()
    back = t - 3_000_000_000
    times = {"t_from_mono_ns": back, "t_to_mono_ns": t}
    load = model.CornerLoad(corner="LF", spot="S1", pad="P1", mass_kg=271.3, u_kg=0.2)
    return [
        a_sample(),
        a_rest(242),
        model.CarRest(
            pads=("P1", "P2"),
            t_from_wall_ns=wall - 3_000_000_000,
            t_declared_mono_ns=t,
            declared_mass_kg=484.0,
            declared_u_kg=0.3,
            mass_kg=484.1,
            u_kg=0.2,
            loads_kg=(242.0, 242.1),
            covariance_kg2=(0.04, -0.01, -0.01, 0.04),
            slope_kg_per_s=0.0,
            n=320,
            open=False,
            **times,
        ),
        model.Gap(pad="P1", cause=model.GapCause.PORT_LOST, **times),
        model.PadCondition(pad="P1", condition=model.Condition.RESTING, since_mono_ns=back),
        model.ZeroCheck(pad="P1", t_mono_ns=t, zero_kg=0.35, u_kg=0.02, n=200),
        model.Step(pad="*", before_kg=968.0, after_kg=951.2, size_kg=-16.8, u_kg=0.3, **times),
        model.Rock(swings=1, frequency_Hz=None, damping_ratio=None, amplitude_kg=40.0, **times),
        model.Boarding(t_mono_ns=t, size_kg=71.2, u_kg=0.4),
        model.CarOn(t_mono_ns=t, mass_kg=968.0),
        model.CarOff(t_mono_ns=t),
        model.Knock(pad="P1", t_mono_ns=t, amplitude_kg=12.0),
        model.ClockStep(t_mono_ns=t, wall_before_ns=wall, wall_after_ns=wall + 3_600_000_000_000),
        model.PortEvent(port="barn", t_mono_ns=t, t_wall_ns=wall, event="lost", detail="unplugged"),
        model.Say(t_mono_ns=t, text="Resting.", urgency=model.Urgency.RESULT),
        model.Capture(
            number=1,
            t_mono_ns=t,
            t_wall_ns=wall,
            t_rest_from_mono_ns=back,
            build="base car",
            aboard=("driver",),
            facing="out",
            placement=1,
            run=1,
            loads=(load,),
            covariance_kg2=(0.04,),
            mass_kg=968.1,
            u_kg=0.3,
        ),
        model.Trouble(t_mono_ns=t, t_wall_ns=wall, part="disk", state="failed", detail="full"),
        model.Change(
            number=1,
            t_mono_ns=t,
            build_before="base car",
            build_after="build 2",
            capture_before=1,
            capture_after=2,
        ),
        model.Command(t_mono_ns=t, verb="take", origin="page"),
        model.Waiting(t_mono_ns=t, stage="rock", text="Rock the car.", cautions=(1, 7)),
        model.Advice(
            t_mono_ns=t,
            aim="cross",
            u_now=0.002,
            unit="1",
            wants="loads",
            action="Lay a shim.",
            why="cross ±0.4 % → ±0.2 %",
            facing="out",
            stand=(model.CornerStand(corner="RF", spot="S2", pad="P2", shim_m=0.005),),
            steps=(model.NextStep(kind="shim", action="Lay a shim.", why="cross", u=0.001),),
            cautions=(1, 2),
        ),
    ]


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
