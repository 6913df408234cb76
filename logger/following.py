"""The weigh-in of a running bay: flow, guide and ledger fed with one record after another."""

from __future__ import annotations

from dataclasses import asdict
from functools import partial

from logger.clock import now_ns
from logger.config import Loaded
from logger.guide.live import LiveGuide
from logger.model import Capture, Change, ClockStep, Command, Facing, Record, Say, Urgency
from logger.onlookers import Onlookers
from logger.weighin.flow import Flow
from logger.weighin.ledger import Ledger
from logger.weighin.noted import noted_heights
from logger.weighin.patience import Patience
from logger.weighin.phrases import Phrases
from logger.weighin.results import weigh_in_result
from logger.weighin.session import Session
from logger.weighin.standing import Spots
from logger.weighin.unnamed import naming_text


class Following:
    """Lets the weigh-in see every record; what it makes of it is kept, shown and said."""

    def __init__(self, loaded: Loaded, ledger: Ledger, boot_id: str, onlookers: Onlookers) -> None:
        config = loaded.config
        self._car = loaded.car
        self._onlookers = onlookers
        self._flow = Flow(config.weighin, loaded.pad_on_spot, config.person, Phrases(config.bay.unit))
        self._guide = LiveGuide(loaded.car, self._flow.spots, config.bay.unit)
        self._session = Session(
            ledger,
            bay=config.bay.name,
            boot_id=boot_id,
            config_id=loaded.id,
            car_name=loaded.car.name,
            geometry=loaded.car.geometry,
            conditions=asdict(config.conditions),
        )
        self._patience = Patience(ledger.path, onlookers.trouble)
        self._patience.do(ledger.open)
        self._standing: tuple[Facing, Spots] | None = None
        self._due = True

    def follow(self, record: Record) -> None:
        """Take the next record of the bay, or a command."""
        if isinstance(record, ClockStep):
            self._keep(record)
        if isinstance(record, Command):
            record = self._asked(record)
        for made in self._flow.feed(record):
            self._keep(made)
            self._onlookers.show(made)

    def look(self) -> None:
        """Show how the car stands, what the weigh-in comes to and what to do next, where these changed."""
        self._patience.look(now_ns()[0])
        standing = self._flow.facing, self._flow.spots
        if standing != self._standing:
            self._standing = standing
            self._onlookers.put_standing(*standing)
        if self._due:
            self._due = False
            self._put_results()

    def end(self) -> None:
        """Write what still waits to be written, as far as that goes."""
        self._patience.end()

    def _keep(self, record: Record) -> None:
        self._patience.do(partial(self._write, record, now_ns()[1]))
        self._due |= isinstance(record, Capture | Change)

    def _write(self, record: Record, t_wall_ns: int) -> None:
        ended = self._session.put(record, t_wall_ns)
        if ended is not None:
            self._onlookers.log.info("weigh-in ended", weigh_in=ended)
            self._due = True

    def _asked(self, command: Command) -> Command:
        """Let the guide have what is for it; `stand` without a text means: as advised."""
        urgency = Urgency.PROMPT
        try:
            text = self._guide.told(command)
            if command.verb == "stand" and not command.argument.strip():
                command = Command(
                    t_mono_ns=command.t_mono_ns,
                    verb="stand",
                    argument=self._guide.stand_as_advised(),
                    origin=command.origin,
                )
        except ValueError as why:
            text, urgency = f"{why}.", Urgency.WARNING
        if text is not None:
            self._onlookers.show(Say(t_mono_ns=command.t_mono_ns, text=text, urgency=urgency))
        if command.verb == "heights" and urgency is Urgency.PROMPT:
            heights, told = noted_heights(self._guide.car), f"heights of the pad tops: {command.argument}"
            self._patience.do(partial(self._session.note, heights, told, now_ns()[1]))
        self._due |= command.verb in ("aim", "skip", "heights", "stand")
        return command

    def _put_results(self) -> None:
        flow, guide = self._flow, self._guide
        try:
            result = weigh_in_result(flow.captures, flow.changes, guide.car, guide.aim)
        except ValueError as doubt:
            self._onlookers.warn(str(doubt))
            return
        name = ""
        if result is not None:
            self._onlookers.put_results(result)
            name = naming_text(result, flow.changes, self._car.geometry) if flow.active else ""
        solution = result.solutions[result.latest] if result is not None and flow.active else None
        advice = guide.advise(flow.captures, solution, flow.spots, now_ns()[0])
        self._onlookers.put_advice(advice, name)
