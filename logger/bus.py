"""The bus to the outside: records go to an MQTT broker, commands come back.

Each connection gets a fresh client (a client used again sends what it had queued a second time); what must
arrive waits in a queue of our own, one message under way at a time, so that at most one is in doubt when a
connection breaks. After connecting, the bus reads back what the broker retains: that settles the doubt, and
brings back what the broker forgot. MQTT 3.1.1 by aiomqtt (asyncio-mqtt under its present name).
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Awaitable, Callable, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass
from math import inf
from typing import TYPE_CHECKING, Any

from logger import topics
from logger.bus_link import QUIET, abandon, hush, read_secret, reason, tls_context
from logger.bus_settings import BusSettings
from logger.clock import NS, now_ns
from logger.heard import Mark, read_command, read_mark
from logger.model import Command, Record, Sample
from logger.outbox import Outbox
from logger.pace import commands
from logger.topics import Message, Topics, Unit
from logger.untold import Earlier, untold

if TYPE_CHECKING:
    import aiomqtt


@dataclass(frozen=True, kw_only=True)
class BusState:
    """Told on change: whether a broker is there, and why not."""

    connected: bool
    detail: str


@dataclass(kw_only=True)
class BusCounts:
    """What the bus did since its start."""

    sent: int = 0
    live_sent: int = 0
    live_unsent: int = 0
    """Readings that no broker was there for."""
    spared: int = 0
    """Messages in doubt that had arrived, and were not sent a second time."""
    restored: int = 0
    """Retained messages that the broker had lost and got again."""
    commands: int = 0
    commands_refused: int = 0
    connections: int = 0


class _Stopped(Exception):
    """Ends a connection that is to be closed in order."""

    def __str__(self) -> str:
        return "closed in order"


class Bus:
    """One bay's messages to a broker and commands from it.

    `on_command(command)` and `on_state(state)` are called in the loop that runs `run`. `boot` is this start's
    id, `pads` are the ids that the whole car needs, `health()` gives what the daemon wants known in `report`
    (plain JSON). Masses go out in `unit`. `earlier` are the captures that earlier starts wrote last: those
    that never came to the bus are said once it is there.
    """

    def __init__(
        self,
        settings: BusSettings,
        bay: str,
        on_command: Callable[[Command], object],
        on_state: Callable[[BusState], object],
        *,
        boot: str,
        pads: Sequence[str],
        unit: Unit = "kg",
        earlier: Earlier = (),
        health: Callable[[], dict[str, Any]] = dict,
        clock: Callable[[], tuple[int, int]] = now_ns,
    ) -> None:
        self.settings, self.counts = settings, BusCounts()
        self.connected = False
        self._on_command, self._on_state, self._health, self._clock = on_command, on_state, health, clock
        self._topics = Topics(bay, boot, unit)
        self._pads = tuple(topics.check_level(pad) for pad in pads)
        self._began_mono_ns = clock()[0]
        self.outbox = Outbox(settings.queue_most)
        self._live_seq = 0
        self._live: dict[str, Sample] = {}
        self._pace, self._hurried = commands(), False
        self._loop: asyncio.AbstractEventLoop | None = None
        self._wake, self._closing = asyncio.Event(), asyncio.Event()
        self._earlier, self._capture_kept, self._unit = earlier, b"", unit
        self._detail = ""

    def __repr__(self) -> str:
        where = "connected" if self.connected else "no broker"
        return f"<Bus {self._topics.root} {where}, {len(self.outbox)} waiting>"

    def put(self, record: Record) -> None:
        """Take a record from any thread; never waits. Kinds that are not for the bus are ignored."""
        if isinstance(record, Sample):
            self.counts.live_unsent += not self.connected
            self._live[record.pad] = record
            return
        t_mono_ns, t_wall_ns = self._clock()
        self._enqueue(lambda seq: self._topics.message(record, seq, t_wall_ns - t_mono_ns))

    def _enqueue(self, write: Callable[[int], Message | None]) -> None:
        if self.outbox.put(write) and self._loop is not None:
            self._loop.call_soon_threadsafe(self._wake.set)

    async def run(self, host: str, port: int) -> None:
        """Serve the broker at this address, again and again, until `stop` or cancellation."""
        self._loop = asyncio.get_running_loop()
        hush(self._loop)
        try:
            await self._serve_again(host, port)
        finally:
            self._loop = None

    async def _serve_again(self, host: str, port: int) -> None:
        wait_s = self.settings.retry_first_s
        while not self._closing.is_set():
            began_s = time.monotonic()
            why = await self._connection(host, port)
            if time.monotonic() - began_s > self.settings.retry_most_s:
                wait_s = self.settings.retry_first_s
            again = "" if self._closing.is_set() else "; tried again, and what must arrive waits"
            self._tell(False, f"broker {host}:{port}: {why}{again}")
            with suppress(TimeoutError):
                async with asyncio.timeout(wait_s):
                    await self._closing.wait()
            wait_s = min(2 * wait_s, self.settings.retry_most_s)

    async def stop(self) -> None:
        """Send what waits (as far as `timeout_s` allows), say offline, and let `run` end."""
        self._closing.set()
        self._wake.set()

    async def _connection(self, host: str, port: int) -> str:
        """Connect, serve, and return why that ended."""
        try:
            client = self._client(host, port)
        except (OSError, ValueError) as why:
            return f"password or certificate cannot be read: {why}"
        try:
            async with client:
                await self._serve(client)
        except Exception as why:  # aiomqtt and paho let many kinds out; all mean: connect again
            return reason(why)
        finally:
            self.connected = False
            abandon(client)
        return "closed"

    def _client(self, host: str, port: int) -> aiomqtt.Client:
        import aiomqtt  # noqa: PLC0415  40 ms that a daemon without a bus need not spend

        now = self._clock()
        settings = self.settings
        will = self._state("lost", now)
        return aiomqtt.Client(
            host,
            port,
            identifier=f"restpoint-{self._topics.bay}",  # the same after a restart, so that it takes over
            username=settings.username or None,
            password=read_secret(settings.password_file),
            tls_context=tls_context(settings.ca_file) if settings.tls else None,
            will=aiomqtt.Will(will.topic, self._topics.payload(will, now[0]), will.channel.qos, True),
            timeout=settings.timeout_s,
            keepalive=settings.keepalive_s,
            max_queued_incoming_messages=1000,
            logger=QUIET,
        )

    async def _serve(self, client: aiomqtt.Client) -> None:
        detail = await self._greet(client)
        self.counts.connections += 1
        self.connected = True
        self._tell(True, detail)
        tasks = (self._ordered, self._live_values, self._liveness, self._listen, self._until_stopped)
        try:
            async with asyncio.TaskGroup() as group:
                for task in tasks:
                    group.create_task(task(client))
        except asyncio.CancelledError:  # the client will say goodbye to the broker, so no will tells
            with suppress(Exception):
                await self._publish(client, self._state("offline", self._clock()))
            raise

    async def _greet(self, client: aiomqtt.Client) -> str:
        """Say we are here, read what the broker retains of us, put that right; return how it went."""
        kept = self._topics.filters([k for k, c in topics.CHANNELS.items() if c.retain and k != "state"])
        ours = [self._topics.topic("state"), self._topics.commands]
        await self._answered(client.subscribe([(address, 1) for address in [*kept, *ours]], timeout=inf))
        birth = self._state("online", self._clock())
        await self._publish(client, birth)
        found = await self._read_back(client, birth)
        for address in kept:  # one at a time: the embedded broker answers each by itself
            await self._answered(client.unsubscribe(address, timeout=inf))
        if found is None:
            return "connected, but may not read what is retained, so a message in doubt may come twice"
        await self._put_right(client, found)
        before = found.get(birth.topic, Mark()).boot
        if self.counts.connections and before not in ("", self._topics.boot):
            return "connected, but another daemon speaks for this bay here: give one of them another name"
        return "connected"

    async def _read_back(self, client: aiomqtt.Client, birth: Message) -> dict[str, Mark] | None:
        """Collect what is retained; our own birth coming back live says that this was all.

        None when no echo comes: a broker may forbid us to read these topics.
        """
        found: dict[str, Mark] = {}
        with suppress(TimeoutError):
            async with asyncio.timeout(self.settings.timeout_s):
                async for said in client.messages:
                    topic, mark = said.topic.value, read_mark(said.payload)
                    if self._topics.is_command(topic):
                        self._heard(topic, said.payload, said.retain)
                    elif said.retain:
                        found[topic] = mark
                        if mark.kind == "capture":
                            self._capture_kept = said.payload
                    elif topic == birth.topic and mark.is_from(self._topics.boot, birth.seq):
                        return found
        return None

    async def _put_right(self, client: aiomqtt.Client, found: dict[str, Mark]) -> None:
        """Settle what was in doubt, withdraw readings of an earlier start, restore what was forgotten."""

        def has(message: Message) -> bool:
            return found.get(message.topic, Mark()).is_from(self._topics.boot, message.seq)

        self.counts.spared += self.outbox.settle(has)
        for topic, mark in found.items():
            if mark.kind in topics.OF_ONE_BOOT and mark.boot != self._topics.boot:
                await self._answered(client.publish(topic, b"", qos=1, retain=True, timeout=inf))
        kept, self._capture_kept = self._capture_kept, b""
        said = [(mark.boot, mark.seq) for mark in found.values()]
        for message in untold(kept, self._earlier, self._topics.bay, self._unit, self._clock(), said):
            await self._publish(client, message)
        for message in self.outbox.forgotten(has):
            await self._publish(client, message)
            self.counts.restored += 1

    async def _ordered(self, client: aiomqtt.Client) -> None:
        """Send what must arrive, one after the other."""
        while True:
            message = self.outbox.head()
            if message is None:
                self._wake.clear()
                await self._wake.wait()
                continue
            await self._publish(client, message)
            self.counts.sent += 1
            self.outbox.done()

    async def _live_values(self, client: aiomqtt.Client) -> None:
        """Send the latest reading of each pad, and their sum, some times a second."""
        latest: dict[str, Sample] = {}
        while True:
            await asyncio.sleep(1 / self.settings.live_Hz)
            new, self._live = self._live, {}
            latest |= new
            t_mono_ns, t_wall_ns = self._clock()
            oldest_ns = t_mono_ns - int(self.settings.live_most_age_s * NS)
            latest = {pad: s for pad, s in latest.items() if s.t_mono_ns >= oldest_ns}
            fresh = [latest[pad] for pad in new if pad in latest]
            for message in self._live_messages(fresh, latest, t_wall_ns - t_mono_ns):
                await self._publish(client, message)
                self.counts.live_sent += 1

    def _live_messages(self, new: list[Sample], latest: dict[str, Sample], offset_ns: int) -> list[Message]:
        if not new:
            return []
        self._live_seq += 1
        said = [self._topics.message(sample, self._live_seq, offset_ns) for sample in new]
        if all(pad in latest for pad in self._pads):
            said.append(self._topics.live_car({p: latest[p] for p in self._pads}, self._live_seq, offset_ns))
        return [message for message in said if message is not None]

    async def _liveness(self, client: aiomqtt.Client) -> None:
        """Say how we fare with QoS 1: a broker that is half open does not answer, and is found out."""
        while True:
            t_mono_ns, t_wall_ns = self._clock()
            body = {
                "uptime_s": round((t_mono_ns - self._began_mono_ns) / NS, 1),
                "queued": len(self.outbox),
                "overflowed": self.outbox.overflowed,
                "superseded": self.outbox.superseded,
                **asdict(self.counts),
                "report": self._health(),
            }
            self._live_seq += 1
            said = self._topics.health(body, self._live_seq, t_mono_ns, t_wall_ns - t_mono_ns)
            await self._publish(client, said)
            await asyncio.sleep(self.settings.health_s)

    async def _listen(self, client: aiomqtt.Client) -> None:
        async for said in client.messages:
            topic = said.topic.value
            if self._topics.is_command(topic):
                self._heard(topic, said.payload, said.retain)
            elif topic == self._topics.topic("state"):
                await self._mend_state(client, read_mark(said.payload))

    async def _mend_state(self, client: aiomqtt.Client, mark: Mark) -> None:
        """Where our topic says we are gone, by a will come late or by somebody's hand, say we are here."""
        if mark.state != "online" and not self._closing.is_set():
            await self._publish(client, self._state("online", self._clock()))

    def _heard(self, topic: str, payload: bytes, retained: bool) -> None:
        """Take a command; a retained one is old and would come again at each connection.

        Of those that come too fast the first is answered: answers must not push what was weighed out of the
        queue.
        """
        t_mono_ns, t_wall_ns = self._clock()
        hurried, self._hurried = self._hurried, not self._pace.allows(t_mono_ns / NS)
        if self._hurried and hurried:
            self.counts.commands_refused += 1
            return
        try:
            if self._hurried:
                raise ValueError("too many commands at once; those that follow are not answered")
            if retained:
                raise ValueError("a command must not be retained; it is not carried out")
            order = read_command(topic, payload, t_mono_ns)
        except ValueError as why:
            self.counts.commands_refused += 1
            text, offset_ns = str(why), t_wall_ns - t_mono_ns
            self._enqueue(lambda seq: self._topics.refused(topic, text, seq, t_mono_ns, offset_ns))
            return
        self.counts.commands += 1
        self._on_command(order)

    async def _until_stopped(self, client: aiomqtt.Client) -> None:
        await self._closing.wait()
        with suppress(TimeoutError):
            async with asyncio.timeout(self.settings.timeout_s):
                while self.outbox:
                    await asyncio.sleep(0.01)
        await self._publish(client, self._state("offline", self._clock()))
        raise _Stopped

    def _state(self, state: topics.State, now: tuple[int, int]) -> Message:
        self._live_seq += 1
        return self._topics.state(state, self._pads, self._live_seq, now[0], now[1] - now[0])

    async def _publish(self, client: aiomqtt.Client, message: Message) -> None:
        payload = self._topics.payload(message, self._clock()[0])
        channel = message.channel
        await self._answered(client.publish(message.topic, payload, channel.qos, channel.retain, timeout=inf))

    async def _answered(self, call: Awaitable[Any]) -> None:
        """Wait for a broker's answer to a call without a time limit of its own.

        The client's limit is asyncio.wait_for, which up to Python 3.11 may swallow a cancellation.
        """
        limit_s = self.settings.timeout_s
        try:
            async with asyncio.timeout(limit_s):
                await call
        except TimeoutError:
            raise ConnectionError(f"no answer within {limit_s:g} s") from None

    def _tell(self, connected: bool, detail: str) -> None:
        """Report a change; the same again is no change."""
        if detail != self._detail:
            self._detail = detail
            self._on_state(BusState(connected=connected, detail=detail))
