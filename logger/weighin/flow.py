"""The hands-free weigh-in: it watches what the pads do and takes what a person would have taken.

A pure state machine. Records of the pipeline and commands go in; captures, changes, sentences and what is
waited for come out. Nobody needs a hand: driving on, rocking, getting in, taking a part out and driving off
are told from the loads. Commands only overrule.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from math import hypot
from typing import Any

from msgspec.structs import replace

from logger.clock import CLOCK_SET_NS, NS
from logger.model import (
    Boarding,
    Capture,
    CarOff,
    CarOn,
    CarRest,
    Change,
    ClockStep,
    Command,
    Corner,
    Facing,
    Record,
    Rock,
    Say,
    Urgency,
    ZeroCheck,
)
from logger.weighin.answers import prompt, wait, warn
from logger.weighin.builds import Meaning, Person, meaning
from logger.weighin.phrases import Phrases
from logger.weighin.placements import OTHER, SPOT_OF, facing_from_loads
from logger.weighin.settings import FlowSettings
from logger.weighin.standing import Spots, loads_on_spots, reading
from logger.weighin.zeros import Zeros


class Flow:
    """Follows one weigh-in after another on one bay.

    `pad_on_spot` maps S1…S4 to pad ids; `people` may sit in the car. `spots` is which pad stands on which
    spot now, and on what shim.
    """

    def __init__(
        self,
        settings: FlowSettings,
        pad_on_spot: Mapping[str, str],
        people: tuple[Person, ...],
        phrases: Phrases,
    ) -> None:
        self._settings = settings
        self.spots = Spots(pads=dict(pad_on_spot))
        self._people = people
        self._say = phrases
        self._zeros = Zeros(tuple(self.spots.pads.values()))
        self._last_said: Say | None = None
        self._zeroed: set[str] = set()
        self._begin()

    def _begin(self) -> None:
        self.captures: list[Capture] = []
        self.changes: list[Change] = []
        self.active = False
        self._placement = 0
        self._build = 1
        self._aboard: tuple[str, ...] = ()
        self._first_facing: Facing = self._settings.first_facing
        self._facing: Facing = self._first_facing
        self._facing_told = False
        self._loaded = False
        self._rocked = False
        self._taken = False
        self._prompted = False
        self._rest: CarRest | None = None
        self._old_zero_said = False
        self._newest_ns = 0
        """When the latest rest of the car began."""
        self._boarding: Boarding | None = None
        self._deals: dict[type[Record], Callable[[Any], list[Record]]] = {
            ZeroCheck: self._zero_check,
            CarOn: self._car_on,
            CarOff: self._car_off,
            Rock: self._rock,
            Boarding: self._body,
            CarRest: self._car_rest,
            ClockStep: self._restate,
            Command: self._command,
        }

    @property
    def facing(self) -> Facing:
        """Which way the car on the pads faces, as far as told; before it is on, which way it should."""
        return self._facing if self._loaded else self._next_facing()

    def feed(self, record: Record) -> list[Record]:
        """Take the next record of the pipeline, or a command, and return what it leads to."""
        self._zeros.take(record)
        deal = self._deals.get(type(record))
        out = deal(record) if deal else []
        for said in out:
            if isinstance(said, Say) and said.urgency is Urgency.RESULT:
                self._last_said = said
        return out

    # -- what the pads do ---------------------------------------------------------------------------------

    def _zero_check(self, check: ZeroCheck) -> list[Record]:
        if self._loaded:
            return []
        before = len(self._zeroed)
        self._zeroed.add(check.pad)
        if before == len(self.spots.pads) or not self._zeroed.issuperset(self.spots.pads.values()):
            return []
        said = self._say.zeroed(self._next_facing(), self._placement)
        return [prompt(check.t_mono_ns, said), wait(check.t_mono_ns, "car on", said, (1, 3))]

    def _car_on(self, event: CarOn) -> list[Record]:
        if not self.active:  # the last weigh-in was stopped: this is another
            self._begin()
        self.active = True
        return self._stands_on(event.t_mono_ns, self._say.car_on())

    def _stands_on(self, t_ns: int, text: str) -> list[Record]:
        """The car stands on the pads in a new placement; `text` says so."""
        self._loaded = True
        self._rocked = self._taken = self._prompted = self._facing_told = self._old_zero_said = False
        self._facing = self._next_facing()
        self._placement += 1
        return [prompt(t_ns, text), wait(t_ns, "rock", text, (1, 2, 7))]

    def _car_off(self, event: CarOff) -> list[Record]:
        if not self._loaded:
            return []
        self._loaded = False
        self._zeroed.clear()
        self._rest = None
        self._aboard = ()
        text = self._say.car_off()
        return [prompt(event.t_mono_ns, text), wait(event.t_mono_ns, "zero check", text, ())]

    def _rock(self, rock: Rock) -> list[Record]:
        if not self._loaded:
            return []
        self._rocked, self._taken = True, False
        return [wait(rock.t_to_mono_ns, "rest", self._say.stand(), (7,))]

    def _body(self, boarding: Boarding) -> list[Record]:
        self._boarding = boarding
        return []

    def _car_rest(self, rest: CarRest) -> list[Record]:
        taken = self._capture_of(rest)
        if taken is not None:
            return self._refine(taken, rest)
        if rest.t_from_mono_ns < self._newest_ns:
            return []  # an earlier rest, restated by a zero check
        self._newest_ns = rest.t_from_mono_ns
        if not (self.active and self._loaded) or rest.mass_kg < self._settings.least_car_kg:
            return []
        self._rest = rest if rest.open else None
        if self._rocked or self._placement_captures():
            return self._consider(rest)
        if self._prompted or not self._held(rest):
            return []
        self._prompted = True
        text = self._say.rock_it(rest.mass_kg, rest.u_kg)
        return [prompt(rest.t_to_mono_ns, text), wait(rest.t_to_mono_ns, "rock", text, (2, 7))]

    # -- captures -----------------------------------------------------------------------------------------

    def _consider(self, rest: CarRest) -> list[Record]:
        reference = self._reference()
        kind, person = self._meaning(rest, reference)
        if kind == "same" and self._taken:
            return []  # somebody leaned on the car and let go: nothing new
        if not self._held(rest):
            return []
        return self._take(rest, reference, kind, person)

    def _held(self, rest: CarRest) -> bool:
        return rest.t_to_mono_ns - rest.t_declared_mono_ns >= self._settings.hold_s * NS

    def _meaning(self, rest: CarRest, reference: Capture | None) -> tuple[Meaning, str | None]:
        if reference is None:
            return "same", None
        delta_kg = rest.mass_kg - reference.mass_kg
        return meaning(delta_kg, hypot(rest.u_kg, reference.u_kg), self._people, self._aboard, self._boarding)

    def _take(
        self, rest: CarRest, reference: Capture | None, kind: Meaning, person: str | None
    ) -> list[Record]:
        out: list[Record] = []
        if not self._placement_captures():
            self._settle_facing(rest)
        if kind == "person in":
            self._aboard = (*self._aboard, person or self._say.somebody())
        elif kind == "person out" and person not in self._aboard:
            out += self._was_aboard(person or self._say.somebody())
        elif kind == "person out":
            self._aboard = tuple(name for name in self._aboard if name != person)
        changed_from = reference if kind == "change" else self._changed_while_aboard(rest, kind)
        self._build += changed_from is not None
        capture = self._capture(rest)
        self.captures.append(capture)
        self._taken, self._boarding = True, None
        out.append(capture)
        if changed_from is not None:
            out.append(self._change(changed_from, capture))
        if kind == "person out" and changed_from is not None:
            text = self._say.out_with_a_part(person, capture, changed_from)
        else:
            text = self._say.captured(kind, person, capture, reference)
        out.append(Say(t_mono_ns=rest.t_to_mono_ns, text=text, urgency=Urgency.RESULT))
        if (old := self._zeros.doubtful(rest)) and not self._old_zero_said:
            self._old_zero_said = True
            out.append(prompt(rest.t_to_mono_ns, self._say.zero_is_old(*old)))
        out.append(wait(rest.t_to_mono_ns, "next", self._say.next_step(self._facings_done()), (2, 5, 7)))
        return out

    def _was_aboard(self, person: str) -> list[Record]:
        """Somebody got out who was not known to be in: he sat there since this placement began."""
        return [
            self._store(replace(c, aboard=(*c.aboard, person)))
            for c in self._placement_captures()
            if c.aboard == self._aboard
        ]

    def _changed_while_aboard(self, rest: CarRest, kind: Meaning) -> Capture | None:
        """The capture before somebody got in, when he took something out with him on leaving."""
        before = self._reference() if kind == "person out" else None
        if before is None:
            return None
        u_kg = hypot(rest.u_kg, before.u_kg)
        return before if meaning(rest.mass_kg - before.mass_kg, u_kg, (), (), None)[0] != "same" else None

    def _settle_facing(self, rest: CarRest) -> None:
        known = self._reference()
        if self._facing_told or known is None:
            return
        loads: dict[Corner, float] = {load.corner: load.mass_kg for load in known.loads}
        facing, decided = facing_from_loads(loads_on_spots(rest, self.spots), loads)
        if decided >= self._settings.decided:
            self._facing = facing

    def _capture(self, rest: CarRest) -> Capture:
        return Capture(
            number=len(self.captures) + 1,
            t_mono_ns=rest.t_to_mono_ns,
            t_wall_ns=rest.t_from_wall_ns + rest.t_to_mono_ns - rest.t_from_mono_ns,
            t_rest_from_mono_ns=rest.t_from_mono_ns,
            build=self._say.build(self._build),
            aboard=self._aboard,
            facing=self._facing,
            placement=self._placement,
            run=1 + len(self._placement_captures()),
            **reading(rest, self._facing, self.spots, self._zeros),
        )

    def _refine(self, taken: Capture, rest: CarRest) -> list[Record]:
        fresh = replace(taken, **reading(rest, taken.facing, self.spots, self._zeros))
        return [] if fresh == taken else [self._store(fresh)]

    def _restate(self, step: ClockStep) -> list[Record]:
        """The clock was set: what was taken before is labelled by the clock as it is now."""
        if step.wall_after_ns < CLOCK_SET_NS:
            return []
        size_ns = step.wall_after_ns - step.wall_before_ns
        return [self._store(replace(c, t_wall_ns=c.t_wall_ns + size_ns)) for c in self.captures]

    def _store(self, capture: Capture) -> Capture:
        self.captures[capture.number - 1] = capture
        return capture

    def _change(self, before: Capture, after: Capture) -> Change:
        change = Change(
            number=len(self.changes) + 1,
            t_mono_ns=after.t_mono_ns,
            build_before=before.build,
            build_after=after.build,
            capture_before=before.number,
            capture_after=after.number,
        )
        self.changes.append(change)
        return change

    # -- commands -----------------------------------------------------------------------------------------

    def _command(self, command: Command) -> list[Record]:
        do = {
            "begin": self._do_begin,
            "take": self._do_take,
            "discard": self._do_discard,
            "name": self._do_name,
            "say-again": self._do_say_again,
            "stop": self._do_stop,
            "stand": self._do_stand,
        }.get(command.verb)
        if self.captures and not self.active and command.verb in ("take", "stop"):
            return [warn(command.t_mono_ns, self._say.is_over())]
        return do(command) if do else []  # the others are for the guide

    def _do_begin(self, command: Command) -> list[Record]:
        t_ns, asked = command.t_mono_ns, command.argument.strip()
        if asked in SPOT_OF and self._loaded and not self._placement_captures():
            self._facing, self._facing_told = asked, True
            return [prompt(t_ns, self._say.facing(self._facing))]
        if self._loaded and self.captures and self.active:
            return [warn(t_ns, self._say.already_begun())]
        stands, rest = self._loaded, self._rest
        self._begin()
        self._zeroed.clear()
        self.active = True
        self._first_facing = asked if asked in SPOT_OF else self._settings.first_facing
        if stands:
            self._rest = rest
            return self._stands_on(t_ns, self._say.begin_with_car())
        text = self._say.begin()
        return [prompt(t_ns, text), wait(t_ns, "zero check", text, (1, 2, 3, 11))]

    def _do_take(self, command: Command) -> list[Record]:
        rest = self._rest
        if rest is None or not self._loaded:
            return [warn(command.t_mono_ns, self._say.nothing_rests())]
        reference = self._reference()
        kind, person = self._meaning(rest, reference)
        return self._take(rest, reference, kind, person)

    def _do_discard(self, command: Command) -> list[Record]:
        t_ns = command.t_mono_ns
        standing = [c for c in self.captures if not c.discarded]
        if not standing:
            return [warn(t_ns, self._say.nothing_to_discard())]
        gone = self._store(replace(standing[-1], discarded=True))
        back = standing[-2] if len(standing) > 1 else None
        self._aboard = back.aboard if back else ()
        self._build = self._say.build_number(back.build) if back else 1
        self.changes = [c for c in self.changes if c.capture_after != gone.number]
        self._taken = False
        return [gone, prompt(t_ns, self._say.discarded(gone))]

    def _do_name(self, command: Command) -> list[Record]:
        name = command.argument.strip()
        if not self.changes or not name:
            return [warn(command.t_mono_ns, self._say.nothing_to_name())]
        self.changes[-1] = replace(self.changes[-1], name=name)
        return [self.changes[-1], prompt(command.t_mono_ns, self._say.named(name))]

    def _do_stand(self, command: Command) -> list[Record]:
        """Pads were exchanged or shims laid, for the placement that is not weighed yet."""
        t_ns = command.t_mono_ns
        if self._loaded and self._placement_captures():
            return [warn(t_ns, self._say.stands_already())]
        try:
            self.spots = self.spots.told(command.argument)
        except ValueError as why:
            return [warn(t_ns, f"{why}.")]
        return [prompt(t_ns, self._say.stand_noted(self.spots.words()))]

    def _do_say_again(self, command: Command) -> list[Record]:
        t_ns, last = command.t_mono_ns, self._last_said
        return [replace(last, t_mono_ns=t_ns) if last else warn(t_ns, self._say.nothing_said())]

    def _do_stop(self, command: Command) -> list[Record]:
        t_ns = command.t_mono_ns
        if not self.captures:
            return [warn(t_ns, self._say.nothing_weighed())]
        self.active = False
        text = self._say.stopped()
        return [prompt(t_ns, text), wait(t_ns, "stopped", text, ())]

    # -- small answers ------------------------------------------------------------------------------------

    def _capture_of(self, rest: CarRest) -> Capture | None:
        wanted = rest.t_from_mono_ns
        return next((c for c in self.captures if c.t_rest_from_mono_ns == wanted and not c.discarded), None)

    def _placement_captures(self) -> list[Capture]:
        return [c for c in self.captures if c.placement == self._placement and not c.discarded]

    def _reference(self) -> Capture | None:
        return next((c for c in reversed(self.captures) if not c.discarded and self._same_state(c)), None)

    def _same_state(self, capture: Capture) -> bool:
        return capture.aboard == self._aboard and capture.build == self._say.build(self._build)

    def _next_facing(self) -> Facing:
        return OTHER[self._facing] if self._placement else self._first_facing

    def _facings_done(self) -> int:
        return len({c.facing for c in self.captures if not c.discarded})
