"""Keeps what the flow takes: a weigh-in opens with the first capture; every revision is written."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from msgspec.structs import replace

from logger.clock import CLOCK_SET_NS
from logger.mechanics.statics import Geometry
from logger.model import Capture, Change, ClockStep, Record, Waiting
from logger.weighin.facts import WeighInFact
from logger.weighin.ledger import Ledger


class Session:
    """Writes one bay's captures and changes for one car; `weigh_in` is the open one's id or None.

    What the ledger refuses (sqlite3.Error) leaves all as it was: the same may be put again.
    """

    def __init__(
        self,
        ledger: Ledger,
        *,
        bay: str,
        boot_id: str,
        config_id: str,
        car_name: str,
        geometry: Geometry,
        conditions: Mapping[str, Any],
    ) -> None:
        self._ledger = ledger
        self._origin = (bay, boot_id, config_id)
        self._car_name = car_name
        self._geometry = geometry
        self._conditions = dict(conditions)
        self.weigh_in: int | None = None
        self._places: dict[tuple[str, int, int], int] = {}

    def put(self, record: Record, t_wall_ns: int) -> int | None:
        """Write what belongs into the ledger; return the weigh-in's id if this record ended it."""
        if isinstance(record, Capture):
            place = self._place(("capture", record.number, record.t_rest_from_mono_ns), t_wall_ns)
            self._ledger.put_capture(place, record, t_wall_ns)
        elif isinstance(record, Change):
            place = self._place(("change", record.number, record.t_mono_ns), t_wall_ns)
            self._ledger.put_change(place, record, t_wall_ns)
        elif isinstance(record, ClockStep) and self.weigh_in is not None:
            if record.wall_after_ns >= CLOCK_SET_NS:
                self._ledger.move_begin(self.weigh_in, record.wall_after_ns - record.wall_before_ns)
        elif isinstance(record, Waiting) and record.stage == "stopped" and self.weigh_in is not None:
            ended = self.weigh_in
            self._ledger.end(ended, t_wall_ns)
            self.weigh_in = None
            return ended
        return None

    def note(self, conditions: Mapping[str, Any], text: str, t_wall_ns: int) -> None:
        """Note conditions of the open weigh-in (`text` says it in the history), and of those that follow."""
        self._conditions |= conditions
        if self.weigh_in is None:
            return
        mine = (f for f in self._ledger.facts() if isinstance(f, WeighInFact))
        fact = next((f for f in mine if f.weigh_in == self.weigh_in), WeighInFact(weigh_in=self.weigh_in))
        with self._ledger.doing(text, t_wall_ns) as deed:
            self._ledger.put_fact(replace(fact, conditions={**fact.conditions, **conditions}), deed)

    def _place(self, what: tuple[str, int, int], t_wall_ns: int) -> int:
        """The weigh-in that a record belongs to: where it stands already, even if that was stopped since."""
        if what not in self._places:
            self._places[what] = self._open(t_wall_ns)
        return self._places[what]

    def _open(self, t_wall_ns: int) -> int:
        if self.weigh_in is None:
            geometry = self._geometry
            car = self._ledger.car(
                self._car_name, geometry.wheelbase_m, geometry.track_front_m, geometry.track_rear_m
            )
            self.weigh_in = self._ledger.begin(car, *self._origin, t_wall_ns, self._conditions)
        return self.weigh_in
