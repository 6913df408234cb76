"""Those who look on: bus, page, loudspeaker, log, and the last word of each part; none holds another up."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from logging import INFO, WARNING
from typing import Any, Literal

from logger.broker import Endpoint
from logger.bus import Bus, BusState
from logger.cautions import GENERAL
from logger.clock import NS, now_ns
from logger.config import Loaded
from logger.health import LastWords
from logger.logs import Quiet, configure
from logger.model import (
    CORNERS,
    ILL,
    Advice,
    ClockStep,
    Command,
    Facing,
    PadCondition,
    PortEvent,
    Record,
    Say,
    Trouble,
    Urgency,
)
from logger.page import Page, Results, Standing
from logger.sentences import in_unit
from logger.untold import Earlier
from logger.voice import Voice
from logger.weighin.placements import SPOT_OF
from logger.weighin.results import WeighInResult
from logger.weighin.standing import Spots
from logger.weighin.views import car_view, difference_text, figures

RESTORED = (
    "journal_restored",
    "journal_keeping",
    "store_restored",
    "ledger_restored",
    "copies_restored",
)
"""Ends of troubles."""
INFORMATION = (
    "journal_cut",
    "journal_config_mended",
    "store_tidied",
    "store_rebuilt",
    "store_kept",
    "store_relabelled",
    "ledger_finished",
)
"""What was mended: for the log, not for the people at the car."""
ILL_PORTS = ("lost", "refused", "flooded")


class Onlookers:
    """Shows records to all who look on; `on_command(command)` takes what page and bus are asked for.

    `health()` gives the counts and states that page and bus tell. Made in the loop that serves them.
    """

    def __init__(
        self, loaded: Loaded, on_command: Callable[[Command], object], health: Callable[[], dict[str, Any]]
    ) -> None:
        self._loaded = loaded
        self._config = config = loaded.config
        self._on_command, self._health = on_command, health
        self._loop = asyncio.get_running_loop()
        self.quiet = Quiet()
        self.log = configure(config.bay.name, self.quiet)
        self.words = LastWords()
        self._page = Page(
            config.page, on_command, self.tell("page"), config.bay.unit, folder=loaded.folder, health=health
        )
        self._voice = Voice(config.voice, self.tell("voice"))
        self._bus: Bus | None = None
        self._proposed = ""
        self._tasks: list[asyncio.Task[None]] = []

    def queue_for_bus(self, boot: str, earlier: Earlier) -> None:
        """Keep records for the bus from now on, in the name of this start's id; `earlier`: see Bus."""
        config = self._config
        self._bus = Bus(
            config.bus,
            config.bay.name,
            self._on_command,
            self._bus_state,
            boot=boot,
            pads=[pad.id for pad in config.pad],
            unit=config.bay.unit,
            health=self._health,
            earlier=earlier,
        )

    def serve(self, endpoint: Endpoint) -> None:
        """Begin to speak: on the page, by the loudspeaker and to this broker, if there is one."""
        self.log.info("broker", detail=endpoint.detail)
        self.words.broker = endpoint.detail
        if self._config.page.enabled:
            self._tasks.append(asyncio.create_task(self._page.serve(), name="page"))
        if endpoint.kind == "none":
            self._bus = None
        elif self._bus is not None:
            self._tasks.append(asyncio.create_task(self._bus.run(endpoint.host, endpoint.port), name="bus"))
        self._voice.start()

    async def stop(self) -> None:
        """Hand on what waits and end; none is waited for longer than five seconds."""
        self._voice.stop()
        self._page.stop()
        if self._bus is not None:
            await self._bus.stop()
        if self._tasks:
            await asyncio.wait(self._tasks, timeout=5)

    @property
    def page_state(self) -> str:
        """Where the page is, or what keeps it away."""
        return self._page.trouble or self._page.address or "off"

    def show(self, record: Record) -> None:
        """Hand a record to each who wants its kind."""
        self.words.put(record)
        if self._bus is not None:
            self._bus.put(record)
        self._page.put(record)
        match record:
            case Trouble():
                self.warn(f"{record.part.capitalize()} {record.state}. {record.detail}.")
            case Say():
                self._voice.say(record)
                self.log.info("said", text=record.text)
            case PadCondition():
                level = WARNING if record.condition in ILL else INFO
                self.log.log(level, "pad", pad=record.pad, condition=record.condition, reason=record.reason)
            case PortEvent():
                level = WARNING if record.event in ILL_PORTS else INFO
                self.log.log(level, "port", port=record.port, event_name=record.event, detail=record.detail)
            case ClockStep():
                step_s = (record.wall_after_ns - record.wall_before_ns) / NS
                self.log.info("clock", set_by_s=round(step_s, 1))
            case Command():
                self.log.info("command", verb=record.verb, origin=record.origin)

    def warn(self, text: str) -> None:
        """Say a sentence that somebody has to hear."""
        self.show(Say(t_mono_ns=now_ns()[0], text=text, urgency=Urgency.WARNING))

    def tell(self, part: str) -> Callable[[str], None]:
        """A callback for a part's log line, once per change."""
        return lambda text: self.log.info(part, detail=text)

    def trouble(self, event: str, detail: str) -> None:
        """A disk's trouble or its end, told from any thread: logged, and said where people are."""
        self.log.log(INFO if event in (*INFORMATION, *RESTORED) else WARNING, event, detail=detail)
        if event in INFORMATION:
            return
        part = event.partition("_")[0]
        state: Literal["failed", "restored"] = "restored" if event in RESTORED else "failed"
        t_mono_ns, t_wall_ns = now_ns()
        trouble = Trouble(t_mono_ns=t_mono_ns, t_wall_ns=t_wall_ns, part=part, state=state, detail=detail)
        self._loop.call_soon_threadsafe(self.show, trouble)

    def put_standing(self, facing: Facing, spots: Spots) -> None:
        """Draw the car on its spots, facing so."""
        geometry = self._loaded.car.geometry
        wheelbase_m, track_front_m, track_rear_m = geometry.lengths_m
        lf, rf, lr, rr = (spots.pads[SPOT_OF[facing][corner]] for corner in CORNERS)
        self._page.put(
            Standing(
                car=self._loaded.car.name,
                wheelbase_m=wheelbase_m,
                track_front_m=track_front_m,
                track_rear_m=track_rear_m,
                pads=(lf, rf, lr, rr),
                facing=facing,
                to_scale=not geometry.missing,
                invented=self._config.bay.invented,
            )
        )

    def put_results(self, result: WeighInResult) -> None:
        """Show what the weigh-in comes to."""
        self._page.put(page_results(result, self._config.bay.unit))

    def put_advice(self, told: Advice, name: str = "") -> None:
        """Show what to do next and why, beside what the weigh-in waits for; `name`: proposed for a change."""
        self.show(told)
        if name and name != self._proposed:
            self.show(Say(t_mono_ns=told.t_mono_ns, text=name, urgency=Urgency.PROMPT))
        self._proposed = name

    def _bus_state(self, state: BusState) -> None:
        self.words.put_bus(state.connected, state.detail)
        self.log.info("bus", connected=state.connected, detail=state.detail)


def page_results(result: WeighInResult, unit: str) -> Results:
    """What the page shows of a weigh-in: the latest state's figures and plan, with every difference."""
    latest = result.solutions[result.latest]
    rows = [(what, quantity.text()) for what, quantity in figures(latest, unit)]
    rows += [(d.name, difference_text(d, unit).partition(": ")[2]) for d in result.differences]
    return Results(
        title=result.latest,
        figures=tuple(rows),
        plan=car_view(latest, result.differences),
        notes=tuple(in_unit(s, unit) for s in (*latest.notes, *latest.cannot_tell_apart)),
        cautions=GENERAL,
    )
