"""The weigh-in of a running bay: what flow, guide and ledger make of records and commands together."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from msgspec.structs import replace as msgspec_replace
from weighin.afternoons import GEOMETRY
from weighin.by_hand import Afternoon, on_spots

from logger.bookkeeping.source import car_of
from logger.config import Loaded, load
from logger.following import Following
from logger.model import Advice, Facing, Record, Say, Urgency
from logger.weighin.ledger import Ledger
from logger.weighin.results import WeighInResult
from logger.weighin.standing import Spots

CONFIG = """
[bay]
name = "barn"
unit = "{unit}"
[[port]]
name = "line"
device = "/dev/ttyS9"
layout = "line-plain"
""" + "".join(f'[[pad]]\nid = "P{n}"\nport = "line"\naddress = "P{n}"\nspot = "S{n}"\n' for n in range(1, 5))


@dataclass
class Seen:
    """Stands in for those who look on, and keeps what they are shown."""

    records: list[Record] = field(default_factory=list)
    advice: list[Advice] = field(default_factory=list)
    results: list[WeighInResult] = field(default_factory=list)
    standing: list[tuple[Facing, Spots]] = field(default_factory=list)
    log: Any = field(default_factory=lambda: SimpleNamespace(info=lambda *_, **__: None))

    def show(self, record: Record) -> None:
        self.records.append(record)

    def trouble(self, event: str, detail: str) -> None:
        raise AssertionError(f"{event}: {detail}")

    def warn(self, text: str) -> None:
        self.records.append(Say(t_mono_ns=0, text=text, urgency=Urgency.WARNING))

    def put_advice(self, told: Advice, name: str = "") -> None:
        self.advice.append(told)

    def put_results(self, result: WeighInResult) -> None:
        self.results.append(result)

    def put_standing(self, facing: Facing, spots: Spots) -> None:
        self.standing.append((facing, spots))

    def said(self) -> str:
        return next(r.text for r in reversed(self.records) if isinstance(r, Say))


@dataclass
class Bay:
    """A bay without ports: what happens to the car goes straight to those who follow."""

    seen: Seen
    ledger: Ledger
    day: Afternoon


@pytest.fixture
def bay(tmp_path: Path, request: pytest.FixtureRequest) -> Any:
    unit = getattr(request, "param", "kg")
    file = tmp_path / "bay.toml"
    file.write_text(CONFIG.format(unit=unit))
    loaded: Loaded = load(file)
    loaded = replace(loaded, car=replace(loaded.car, geometry=GEOMETRY))
    seen, ledger = Seen(), Ledger(tmp_path / "ledger.db")
    following = Following(loaded, ledger, "boot", seen)  # type: ignore[arg-type]  # a stand-in

    def feed(record: Record) -> list[Record]:
        following.follow(record)
        following.look()
        return []

    following.look()
    yield Bay(seen=seen, ledger=ledger, day=Afternoon(feed))
    ledger.close()


def weighed(bay: Bay, loads: dict[str, float]) -> Advice:
    bay.day.zero()
    bay.day.on()
    bay.day.rock()
    bay.day.rest(loads)
    return bay.seen.advice[-1]


def test_advice_from_the_first_pad_to_enough_by_commands_alone(bay: Bay) -> None:
    first = bay.seen.advice[0]
    assert (first.wants, first.facing, first.u_now) == ("loads", "out", None)
    assert next((at.corner, at.spot, at.pad) for at in first.stand) == ("LF", "S1", "P1")
    told = weighed(bay, on_spots("out"))
    assert told.wants == "heights"
    assert told.u_now is not None
    assert [s.u for s in told.steps] == sorted(s.u for s in told.steps)
    bay.day.do("heights", "0 1.5 -0.5 2 mm")
    assert bay.seen.said() == "Noted. The pad tops' heights, S1 to S4: 0 1.5 -0.5 2 mm."
    better = bay.seen.advice[-1]
    assert better.u_now is not None
    assert better.u_now < 0.9 * told.u_now
    while bay.seen.advice[-1].steps[0].kind != "shim":
        bay.day.do("skip")
    bay.day.off()
    bay.day.do("stand")
    assert bay.seen.said() == "Noted. P1 on S1, P2 on S2, P3 on S3, P4 on S4; 5 mm under S2."
    assert bay.seen.standing[-1][1].shims_m == {"S2": 0.005}
    bay.day.do("begin", "out")  # refused or not, the flow goes on: the same facing with a shim
    bay.day.do("aim", "total 2 kg")
    assert bay.seen.advice[-1].aim == "total"


def test_heights_stay_with_the_weigh_in_they_were_measured_in(bay: Bay) -> None:
    weighed(bay, on_spots("out"))
    bay.day.do("heights", "0 0 0 0.24 in")
    (row,) = bay.ledger.weigh_ins()
    assert car_of(bay.ledger, row).known.spot_heights_m["S4"] == pytest.approx(0.24 * 0.0254)
    assert [d.text for d in bay.ledger.deeds()] == ["heights of the pad tops: 0 0 0 0.24 in"]


@pytest.mark.parametrize(
    ("verb", "argument", "why"),
    [
        ("heights", "0 1 2 3", "has no unit"),
        ("aim", "speed", "no figure to aim at"),
        ("stand", "", "no other placement is advised"),
        ("skip", "", "There is nothing to skip."),
    ],
)
def test_what_the_guide_cannot_use_is_said_and_changes_nothing(
    bay: Bay, verb: str, argument: str, why: str
) -> None:
    before = len(bay.seen.advice)
    if verb == "stand":
        weighed(bay, on_spots("out"))  # then heights are wanted, and nothing is to be moved
    bay.day.do(verb, argument)
    assert why in " ".join(r.text for r in bay.seen.records if isinstance(r, Say))
    assert len(bay.seen.advice) > before


@pytest.mark.parametrize("bay", ["lb"], indirect=True)
def test_pounds_in_advice_where_pounds_are_shown(bay: Bay) -> None:
    weighed(bay, on_spots("out"))
    bay.day.do("aim", "total")
    assert " lb" in bay.seen.advice[-1].why


def test_after_stop_the_guide_begins_anew(bay: Bay) -> None:
    weighed(bay, on_spots("out"))
    bay.day.do("stop")
    assert bay.seen.advice[-1].action.startswith("Let all pads stand empty")
    assert bay.seen.advice[-1].u_now is None


def test_what_is_told_of_a_capture_after_stop_goes_to_the_weigh_in_it_stands_in(bay: Bay) -> None:
    weighed(bay, on_spots("out"))
    bay.day.do("stop")
    bay.day.feed(msgspec_replace(bay.day.last_rest, mass_kg=970.4))  # a later zero check tells more
    assert [row.id for row in bay.ledger.weigh_ins()] == [1]
    assert bay.ledger.captures(1)[0].mass_kg == 970.4
    bay.day.do("discard")
    assert bay.ledger.captures(1)[0].discarded
    bay.day.off()
    weighed(bay, on_spots("out"))
    assert [row.id for row in bay.ledger.weigh_ins()] == [1, 2]
    assert [c.number for c in bay.ledger.captures(2)] == [1]
