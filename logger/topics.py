"""What goes out on the bus: record → topic, payload, quality of service, retained or not.

Topics are `restpoint/<bay>/<address>`, payloads are JSON objects in full words; described one by one in
logger/bus.asyncapi.json. Names are only ever added, never renamed. Pure: time comes in as an argument.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from math import sqrt
from typing import Any, Literal, NamedTuple

import msgspec
from msgspec import Struct

from drivers import api
from logger.clock import NS, wall_text
from logger.model import (
    FLAG_STALE,
    FLAG_WILD,
    SCHEMA,
    Advice,
    Boarding,
    Capture,
    CarOff,
    CarOn,
    CarRest,
    Change,
    ClockStep,
    Command,
    Gap,
    Knock,
    PadCondition,
    PortEvent,
    Record,
    Rest,
    Rock,
    Sample,
    Say,
    Step,
    Trouble,
    Waiting,
    ZeroCheck,
)
from logger.quantity import Quantity
from logger.units import from_kg
from logger.version import VERSION

ROOT = "restpoint"
Unit = Literal["kg", "lb"]
State = Literal["online", "offline", "lost"]
Body = dict[str, Any]


class Channel(NamedTuple):
    """One kind of topic below `restpoint/<bay>/`; `{pad}` stands for a pad's id."""

    address: str
    qos: int
    retain: bool


CHANNELS: dict[str, Channel] = {
    "state": Channel("state", 1, True),
    "health": Channel("health", 1, True),
    "live": Channel("live/{pad}", 0, False),
    "live_car": Channel("live/car", 0, False),
    "rest": Channel("rest/{pad}", 1, True),
    "car_rest": Channel("rest/car", 1, True),
    "pad_condition": Channel("pad/{pad}/condition", 1, True),
    "capture": Channel("capture", 1, True),
    "waiting": Channel("waiting", 1, True),
    "advice": Channel("advice", 1, True),
    "say": Channel("say", 1, False),
    "step": Channel("event/step", 1, False),
    "rock": Channel("event/rock", 1, False),
    "boarding": Channel("event/boarding", 1, False),
    "car_on": Channel("event/car-on", 1, False),
    "car_off": Channel("event/car-off", 1, False),
    "knock": Channel("event/knock", 1, False),
    "gap": Channel("event/gap", 1, False),
    "zero_check": Channel("event/zero-check", 1, False),
    "clock_step": Channel("event/clock-step", 1, False),
    "port_event": Channel("event/port", 1, False),
    "trouble": Channel("event/trouble", 1, False),
    "change": Channel("event/change", 1, False),
    "command": Channel("event/command", 1, False),
}
"""Everything that goes out, by the payload's `kind`."""

OF_ONE_BOOT = ("rest", "car_rest", "pad_condition", "waiting", "advice")
"""Retained kinds that mean nothing once the daemon starts anew; it withdraws those of an earlier start."""

RESERVED = "car"
"""No pad may have this id: `rest/car` is the whole car."""

FLAG_WORDS: dict[int, str] = {
    api.FLAG_STEADY: "steady_claimed",
    api.FLAG_MOVING: "moving_claimed",
    api.FLAG_OVERLOAD: "overload",
    api.FLAG_UNDERLOAD: "underload",
    api.FLAG_LOW_BATTERY: "low_battery",
    api.FLAG_AT_ZERO: "at_zero",
    api.FLAG_NET: "net",
    FLAG_WILD: "wild",
    FLAG_STALE: "stale",
}


class Message(Struct, frozen=True, kw_only=True):
    """One message as it will go out; its age is written when it is sent, `seq` is its place in the order."""

    kind: str
    topic: str
    seq: int
    t_mono_ns: int
    body: Body

    @property
    def channel(self) -> Channel:
        return CHANNELS[self.kind]

    @property
    def about(self) -> tuple[str, object]:
        """The same for revisions of one rest, its own for everything else."""
        return self.topic, self.body.get("rest_id") if self.kind in ("rest", "car_rest") else self.seq


def check_level(name: str) -> str:
    """Return a bay's or pad's id if it can stand in a topic; ValueError says what is wrong with it."""
    if not name or any(c in "+#/\0" for c in name) or name == RESERVED or name.startswith("$"):
        raise ValueError(
            f"id {name!r}: not empty, not {RESERVED!r}, and without + # / or a leading $, please"
        )
    return name


class Topics:
    """Writes the messages of one bay, one boot and one unit of mass."""

    def __init__(self, bay: str, boot: str, unit: Unit = "kg") -> None:
        self.root = f"{ROOT}/{check_level(bay)}"
        self.bay, self.boot, self.unit = bay, boot, unit

    @property
    def commands(self) -> str:
        """Topic filter of the commands."""
        return f"{self.root}/do/+"

    def is_command(self, topic: str) -> bool:
        """Tell whether a topic is one of a command."""
        return topic.startswith(f"{self.root}/do/")

    def topic(self, kind: str, pad: str = "") -> str:
        """The whole topic of a kind (and pad)."""
        return f"{self.root}/{CHANNELS[kind].address.format(pad=pad)}"

    def filters(self, kinds: Sequence[str]) -> list[str]:
        """Topic filters that match these kinds."""
        return sorted({self.topic(kind, "+") for kind in kinds})

    def message(self, record: Record, seq: int, offset_ns: int) -> Message | None:
        """Write a record; None for kinds that are not for the bus.

        `offset_ns` is wall minus monotonic time now, for records that carry no wall time.
        """
        write = _WRITERS.get(type(record))
        if write is None:
            return None
        t_mono_ns, body = write(self, record)
        kind = "live" if isinstance(record, Sample) else str(record.__struct_config__.tag)
        return self._sealed(kind, body.get("pad", ""), seq, t_mono_ns, offset_ns, body)

    def live_car(self, samples: Mapping[str, Sample], seq: int, offset_ns: int) -> Message | None:
        """Write the sum over the latest samples of all pads; None when one has no number."""
        loads = [{"pad": s.pad, "value": self._mass(s.mass_kg)} for s in samples.values()]
        if not loads or any(load["value"] is None for load in loads):
            return None
        total = sum(float(str(load["value"])) for load in loads)
        body = {"value": round(total, 4), "unit": self.unit, "loads": loads}
        oldest_ns = min(s.t_mono_ns for s in samples.values())
        return self._sealed("live_car", "", seq, oldest_ns, offset_ns, body)

    def state(self, state: State, pads: Sequence[str], seq: int, t_mono_ns: int, offset_ns: int) -> Message:
        """Write birth (online), clean end (offline) or will (lost; its time is when the connection began)."""
        body = {"state": state, "version": VERSION, "unit": self.unit, "pads": list(pads)}
        return self._sealed("state", "", seq, t_mono_ns, offset_ns, body)

    def health(self, body: Body, seq: int, t_mono_ns: int, offset_ns: int) -> Message:
        """Write how the daemon fares; doubles as the sign of life."""
        return self._sealed("health", "", seq, t_mono_ns, offset_ns, body)

    def refused(self, topic: str, reason: str, seq: int, t_mono_ns: int, offset_ns: int) -> Message:
        """Write that a command was not understood."""
        said = {"verb": topic.rpartition("/")[2][:40], "argument": "", "origin": "bus"}
        body = {**said, "accepted": False, "reason": reason}
        return self._sealed("command", "", seq, t_mono_ns, offset_ns, body)

    def payload(self, message: Message, now_mono_ns: int) -> bytes:
        """Encode a message as it is to be sent now."""
        age_s = round((now_mono_ns - message.t_mono_ns) / NS, 3)
        return msgspec.json.encode({**message.body, "age_s": age_s})

    def _sealed(self, kind: str, pad: str, seq: int, t_mono_ns: int, offset_ns: int, body: Body) -> Message:
        head: Body = {"schema": SCHEMA, "kind": kind, "bay": self.bay, "boot": self.boot, "seq": seq}
        head |= {"time": wall_text(t_mono_ns + offset_ns), "t_mono_ms": t_mono_ns // 1_000_000}
        return Message(kind=kind, topic=self.topic(kind, pad), seq=seq, t_mono_ns=t_mono_ns, body=head | body)

    def _mass(self, mass_kg: float | None) -> float | None:
        return None if mass_kg is None else round(from_kg(mass_kg, self.unit), 4)

    def _quantity(self, mass_kg: float, u_kg: float) -> Body:
        """Value and standard uncertainty, and both as a person reads them (± two standard uncertainties)."""
        quantity = Quantity(mass_kg, u_kg, "kg").shown_in(self.unit)
        return {
            "value": round(quantity.value, 4),
            "u": round(u_kg * from_kg(1.0, self.unit), 5),
            "unit": self.unit,
            "text": quantity.text(),
        }

    def _sample(self, r: Sample) -> tuple[int, Body]:
        body = {
            "pad": r.pad,
            "value": self._mass(r.mass_kg),
            "unit": self.unit,
            "wire_value": self._mass(r.mass_wire_kg),
            "resolution": self._mass(r.resolution_kg),
            "flags": [word for flag, word in FLAG_WORDS.items() if r.flags & flag],
            "battery_V": r.battery_V,
            "signal_dBm": r.signal_dBm,
            "temperature_C": r.temperature_C,
        }
        return r.t_mono_ns, body

    def _resting(self, r: Rest | CarRest) -> Body:
        """What rests of a pad and of the car have in common."""
        return self._quantity(r.mass_kg, r.u_kg) | {
            "rest_id": str(r.t_from_mono_ns),
            "since": wall_text(r.t_from_wall_ns),
            "duration_s": round((r.t_to_mono_ns - r.t_from_mono_ns) / NS, 3),
            "declared_value": self._mass(r.declared_mass_kg),
            "declared_u": round(from_kg(r.declared_u_kg, self.unit), 5),
            "declared_after_s": round((r.t_declared_mono_ns - r.t_from_mono_ns) / NS, 3),
            "slope_per_s": from_kg(r.slope_kg_per_s, self.unit),
            "n": r.n,
            "open": r.open,
            "revision": r.revision,
        }

    def _rest(self, r: Rest) -> tuple[int, Body]:
        zero = {"zero": self._mass(r.zero_kg), "zero_u": round(from_kg(r.u_zero_kg, self.unit), 5)}
        return r.t_to_mono_ns, {"pad": r.pad, **self._resting(r), **zero}

    def _car_rest(self, r: CarRest) -> tuple[int, Body]:
        spread = from_kg(1.0, self.unit)
        size = len(r.pads)
        u = [sqrt(max(r.covariance_kg2[i * size + i], 0.0)) for i in range(size)]
        loads = [{"pad": pad, **self._quantity(r.loads_kg[i], u[i])} for i, pad in enumerate(r.pads)]
        covariance = [value * spread * spread for value in r.covariance_kg2]
        return r.t_to_mono_ns, {**self._resting(r), "loads": loads, "covariance": covariance}

    def _pad_condition(self, r: PadCondition) -> tuple[int, Body]:
        return r.since_mono_ns, {"pad": r.pad, "condition": r.condition, "reason": r.reason}

    def _capture(self, r: Capture) -> tuple[int, Body]:
        loads = [
            {
                "corner": c.corner,
                "spot": c.spot,
                "pad": c.pad,
                "shim_mm": round(1e3 * c.shim_m, 3),
                **self._quantity(c.mass_kg, c.u_kg),
            }
            for c in r.loads
        ]
        return r.t_mono_ns, {
            "number": r.number,
            "name": r.name,
            "build": r.build,
            "aboard": r.aboard,
            "facing": r.facing,
            "placement": r.placement,
            "run": r.run,
            "rest_id": str(r.t_rest_from_mono_ns),
            "discarded": r.discarded,
            **self._quantity(r.mass_kg, r.u_kg),
            "loads": loads,
        }

    def _step(self, r: Step) -> tuple[int, Body]:
        before_after = {"before": self._mass(r.before_kg), "after": self._mass(r.after_kg)}
        duration_s = round((r.t_to_mono_ns - r.t_from_mono_ns) / NS, 3)
        size = self._quantity(r.size_kg, r.u_kg)
        return r.t_to_mono_ns, {"pad": r.pad, **size, **before_after, "duration_s": duration_s}

    def _rock(self, r: Rock) -> tuple[int, Body]:
        return r.t_to_mono_ns, {
            "swings": r.swings,
            "frequency_Hz": r.frequency_Hz,
            "damping_ratio": r.damping_ratio,
            "amplitude": self._mass(r.amplitude_kg),
            "unit": self.unit,
            "duration_s": round((r.t_to_mono_ns - r.t_from_mono_ns) / NS, 3),
        }

    def _boarding(self, r: Boarding) -> tuple[int, Body]:
        return r.t_mono_ns, self._quantity(r.size_kg, r.u_kg)

    def _car_on(self, r: CarOn) -> tuple[int, Body]:
        return r.t_mono_ns, {"value": self._mass(r.mass_kg), "unit": self.unit}

    def _car_off(self, r: CarOff) -> tuple[int, Body]:
        return r.t_mono_ns, {}

    def _knock(self, r: Knock) -> tuple[int, Body]:
        return r.t_mono_ns, {"pad": r.pad, "amplitude": self._mass(r.amplitude_kg), "unit": self.unit}

    def _gap(self, r: Gap) -> tuple[int, Body]:
        duration_s = round((r.t_to_mono_ns - r.t_from_mono_ns) / NS, 3)
        return r.t_to_mono_ns, {"pad": r.pad, "cause": r.cause, "count": r.count, "duration_s": duration_s}

    def _zero_check(self, r: ZeroCheck) -> tuple[int, Body]:
        return r.t_mono_ns, {"pad": r.pad, **self._quantity(r.zero_kg, r.u_kg), "n": r.n}

    def _clock_step(self, r: ClockStep) -> tuple[int, Body]:
        step_s = round((r.wall_after_ns - r.wall_before_ns) / NS, 3)
        before, after = wall_text(r.wall_before_ns), wall_text(r.wall_after_ns)
        return r.t_mono_ns, {"before": before, "after": after, "step_s": step_s}

    def _port_event(self, r: PortEvent) -> tuple[int, Body]:
        return r.t_mono_ns, {"port": r.port, "event": r.event, "detail": r.detail}

    def _trouble(self, r: Trouble) -> tuple[int, Body]:
        return r.t_mono_ns, {"part": r.part, "state": r.state, "detail": r.detail}

    def _change(self, r: Change) -> tuple[int, Body]:
        return r.t_mono_ns, {
            "number": r.number,
            "name": r.name,
            "build_before": r.build_before,
            "build_after": r.build_after,
            "capture_before": r.capture_before,
            "capture_after": r.capture_after,
        }

    def _say(self, r: Say) -> tuple[int, Body]:
        return r.t_mono_ns, {"text": r.text, "urgency": r.urgency}

    def _waiting(self, r: Waiting) -> tuple[int, Body]:
        return r.t_mono_ns, {"stage": r.stage, "text": r.text, "cautions": r.cautions}

    def _advice(self, r: Advice) -> tuple[int, Body]:
        scale = from_kg(1.0, self.unit) if r.unit == "kg" else 1.0
        return r.t_mono_ns, {
            "aim": r.aim,
            "u": None if r.u_now is None else r.u_now * scale,
            "unit": self.unit if r.unit == "kg" else r.unit,
            "wants": r.wants,
            "action": r.action,
            "why": r.why,
            "facing": r.facing,
            "stand": [
                {"corner": at.corner, "spot": at.spot, "pad": at.pad, "shim_mm": round(1e3 * at.shim_m, 3)}
                for at in r.stand
            ],
            "steps": [{"step": s.kind, "action": s.action, "why": s.why, "u": s.u * scale} for s in r.steps],
            "cautions": r.cautions,
        }

    def _command(self, r: Command) -> tuple[int, Body]:
        said = {"verb": r.verb, "argument": r.argument, "origin": r.origin}
        return r.t_mono_ns, {**said, "accepted": True, "reason": ""}


_WRITERS: dict[type[Record], Callable[[Topics, Any], tuple[int, Body]]] = {
    Sample: Topics._sample,
    Rest: Topics._rest,
    CarRest: Topics._car_rest,
    PadCondition: Topics._pad_condition,
    Capture: Topics._capture,
    Step: Topics._step,
    Rock: Topics._rock,
    Boarding: Topics._boarding,
    CarOn: Topics._car_on,
    CarOff: Topics._car_off,
    Knock: Topics._knock,
    Gap: Topics._gap,
    ZeroCheck: Topics._zero_check,
    ClockStep: Topics._clock_step,
    PortEvent: Topics._port_event,
    Trouble: Topics._trouble,
    Change: Topics._change,
    Say: Topics._say,
    Waiting: Topics._waiting,
    Advice: Topics._advice,
    Command: Topics._command,
}
