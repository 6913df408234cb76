"""The demo: two bays of simulated pads on real pseudo-terminals, real daemons, one afternoon, one report.

Nothing here stands in for the program: each bay is a `restpoint run` process of its own that opens its ports
with pyserial; what is said comes back over MQTT, and the two commands given (the part's name, stop) go that
way too, as from a button.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Coroutine
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import aiomqtt

from drivers.sim.player import Line, Player, line_for_all, line_for_each
from drivers.sim.scenario import RestTruth
from drivers.sim.wagtail import wagtail
from logger.broker import BrokerSettings, Endpoint, broker, ends_with_us
from logger.bus_link import abandon
from logger.outcome import print_outcome, write_report

REST_S = 8.0
"""Length of a rest (s): long enough to hear its number; the afternoon then lasts a minute and a half."""
PADS = ("P1", "P2", "P3", "P4")
FOUR_LINES, ONE_LINE = "demo-four-lines", "demo-one-line"
"""The bays: four pads on four lines, and the same four pads on one."""

CONFIG = """\
# Written by `restpoint demo`. Names and figures are invented.
schema = 1

[bay]
name = "{bay}"
folder = "."
unit = "{unit}"
car = "wagtail.toml"
invented = true

{ports}
[[person]]
name = "driver"
mass_kg = 71.0

[conditions]
tyre_pressures_kPa = [200, 200, 190, 190]
fuel_L = 22
temperature_C = 4
place = "the barn"
notes = "invented afternoon; half a tank"

[broker]
host = "{host}"
port = {port}

[page]
port = {page_port}

[voice]
enabled = false
"""
PORT = """\
[[port]]
name = "{name}"
device = "{device}"
layout = "{layout}"

"""
PAD = """\
[[pad]]
id = "{pad}"
port = "{port}"
address = "{pad}"
spot = "S{spot}"
capacity_kg = 500

"""
CAR = """\
name = "Wagtail"
wheelbase_m = 2.430
track_front_m = 1.405
track_rear_m = 1.395
"""


class DemoFailed(RuntimeError):
    """The demo did not come to its end; the text says where."""


@dataclass
class BayRun:
    """One bay of the demo: its folder, its daemon's process and what it said so far."""

    name: str
    folder: Path
    page: str
    process: subprocess.Popen[bytes] | None = None
    stages: list[str] = field(default_factory=list)

    @property
    def config(self) -> Path:
        """Its configuration file."""
        return self.folder / "bay.toml"

    def start(self) -> None:
        """Start its daemon; the log goes to a file beside the config."""
        command = [*ends_with_us(), sys.executable, "-m", "logger.cli", "run", "-c", str(self.config)]
        with (self.folder / "log.jsonl").open("wb") as log:
            self.process = subprocess.Popen(command, stderr=log)

    def end(self) -> int:
        """Stop its daemon in order, by force where that takes too long; return its exit code."""
        if self.process is None:
            return 0
        self.process.terminate()
        try:
            return self.process.wait(20)
        except subprocess.TimeoutExpired:
            self.process.kill()
            return self.process.wait()


def demo(out: Path, unit: str) -> int:
    """Play the afternoon in both bays and print what came of it; files go to `out`, which is made anew."""
    began = time.monotonic()
    shutil.rmtree(out, ignore_errors=True)
    scenario = wagtail(rest_s=REST_S)
    print(f"Wagtail, an invented car on an invented floor: {scenario.lasts_s():.0f} s of a winter afternoon.")
    with contextlib.ExitStack() as lines:
        each, channels = line_for_each(scenario)
        shared, shared_channels = line_for_all(scenario)
        for line in (*each.values(), shared):
            lines.enter_context(line)
        ports = {FOUR_LINES: _ports_each(each), ONE_LINE: _port_shared(shared)}
        bays, truths = asyncio.run(
            _afternoon(out, unit, ports, Player(scenario, [*channels, *shared_channels], report=_progress))
        )
    for bay in bays:
        print(f"\nBay {bay.name}")
        print_outcome(bay.folder, truths)
        print(f"  report    {write_report(bay.folder)}")
        for name in ("journal", "dataset", "ledger.db", "ledger.rows", "log.jsonl"):
            print(f"  {name:9} {bay.folder / name}")
        print(f"  page      {bay.page} (while the bay ran)")
    print(f"\nThat took {time.monotonic() - began:.0f} s.")
    return 0


def _progress(line: str) -> None:
    print(line, flush=True)


async def _afternoon(
    out: Path, unit: str, ports: dict[str, str], player: Player
) -> tuple[list[BayRun], list[RestTruth]]:
    async with broker(BrokerSettings(port=_free_port())) as endpoint:  # never somebody's own broker
        if endpoint.kind == "none":
            raise DemoFailed(endpoint.detail)
        print(f"Bus: {endpoint.detail}.")
        bays = [_bay(out, name, text, unit, endpoint) for name, text in ports.items()]
        try:
            for bay in bays:
                bay.start()
            await _follow(bays, player, endpoint)
        finally:
            player.stop()
            codes = await asyncio.gather(*(asyncio.to_thread(bay.end) for bay in bays))
    if any(codes):
        ended = ", ".join(f"{bay.name} with {code}" for bay, code in zip(bays, codes, strict=True) if code)
        raise DemoFailed(f"bays ended badly: {ended}; see log.jsonl there")
    assert player.play is not None  # it was started in _follow
    return bays, player.play.truths


def _bay(out: Path, name: str, ports: str, unit: str, endpoint: Endpoint) -> BayRun:
    folder = (out / name).absolute()
    folder.mkdir(parents=True)
    page_port = _free_port()
    bay = BayRun(name=name, folder=folder, page=f"http://127.0.0.1:{page_port}/")
    text = CONFIG.format(
        bay=name, unit=unit, ports=ports, host=endpoint.host, port=endpoint.port, page_port=page_port
    )
    bay.config.write_text(text, encoding="utf-8")
    (folder / "wagtail.toml").write_text(CAR, encoding="utf-8")
    return bay


def _ports_each(lines: dict[str, Line]) -> str:
    text = "".join(
        PORT.format(name=f"line {pad}", device=line.device, layout="stx-etx-xor")
        for pad, line in lines.items()
    )
    return text + "".join(PAD.format(pad=p, port=f"line {p}", spot=n) for n, p in enumerate(lines, 1))


def _port_shared(line: Line) -> str:
    text = PORT.format(name="receiver", device=line.device, layout="four-in-one")
    return text + "".join(PAD.format(pad=p, port="receiver", spot=n) for n, p in enumerate(PADS, 1))


def _free_port() -> int:
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        return int(sock.getsockname()[1])


async def _follow(bays: list[BayRun], player: Player, endpoint: Endpoint) -> None:
    """Listen on the bus from birth to the stop that ends each weigh-in; DemoFailed when the bus goes."""
    client = aiomqtt.Client(endpoint.host, endpoint.port, identifier="restpoint-demo")
    try:
        async with client as bus:
            await bus.subscribe("restpoint/+/state", qos=1)
            await _until(bus, bays, "online", within_s=15)
            for bay in bays:
                print(f"Bay {bay.name} is up, its page at {bay.page}")
            await bus.subscribe("restpoint/+/say", qos=1)
            await bus.subscribe("restpoint/+/waiting", qos=1)
            player.start()
            await _with_both(_listen(bus, bays), _steer(bus, bays, player))
    except aiomqtt.MqttError as why:
        raise DemoFailed(f"the bus went away: {why}") from None
    finally:
        abandon(client)


async def _with_both(listening: Coroutine[Any, Any, None], steering: Coroutine[Any, Any, None]) -> None:
    """Listen until the steering is done; raise what either of them raises."""
    tasks = [asyncio.create_task(listening), asyncio.create_task(steering)]
    try:
        done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
    for task in done:
        task.result()


async def _steer(bus: aiomqtt.Client, bays: list[BayRun], player: Player) -> None:
    """Let the afternoon pass, then name the part and stop, as somebody with buttons would."""
    while player.running():
        await asyncio.sleep(0.2)
    for verb, argument in (("name", "spare wheel and jack"), ("stop", "")):
        for bay in bays:
            await bus.publish(f"restpoint/{bay.name}/do/{verb}", argument, qos=1)
    await _stopped(bays, within_s=10)


async def _until(bus: aiomqtt.Client, bays: list[BayRun], state: str, within_s: float) -> None:
    """Wait until every bay has said this state."""
    missing = {bay.name for bay in bays}
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(within_s):
            async for message in bus.messages:
                told = json.loads(bytes(message.payload))
                if told["state"] == state:
                    missing.discard(told["bay"])
                if not missing:
                    return
    raise DemoFailed(f"after {within_s:g} s not {state}: {', '.join(sorted(missing))}; see log.jsonl there")


async def _listen(bus: aiomqtt.Client, bays: list[BayRun]) -> None:
    by_name = {bay.name: bay for bay in bays}
    async for message in bus.messages:
        told = json.loads(bytes(message.payload) or b"{}")
        bay = by_name.get(told.get("bay", ""))
        if bay is None:
            continue
        if told["kind"] == "waiting":
            bay.stages.append(told["stage"])
        elif told["kind"] == "say":
            mark = "▸" if told["urgency"] == "result" else " "
            print(f"  {mark} {bay.name:16} {told['text']}", flush=True)


async def _stopped(bays: list[BayRun], within_s: float) -> None:
    """Wait until every bay's weigh-in has stopped."""
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(within_s):
            while any(bay.stages[-1:] != ["stopped"] for bay in bays):
                await asyncio.sleep(0.05)
            return
    late = [bay.name for bay in bays if bay.stages[-1:] != ["stopped"]]
    raise DemoFailed(f"the weigh-in did not come to its end in {', '.join(late)}; see log.jsonl there")
