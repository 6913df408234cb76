"""What happens to a car on four pads, one call for each thing, as records of the pipeline."""

from __future__ import annotations

from collections.abc import Callable

from logger.clock import NS
from logger.model import (
    CarOff,
    CarOn,
    CarRest,
    Command,
    Record,
    Rock,
    Say,
    ZeroCheck,
)
from logger.weighin.builds import Person
from logger.weighin.flow import Flow
from logger.weighin.phrases import Phrases
from logger.weighin.placements import loads_at
from logger.weighin.settings import FlowSettings

PADS = ("P1", "P2", "P3", "P4")
CORNERS_OUT = {"LF": 300.0, "RF": 290.0, "LR": 195.0, "RR": 185.0}
DRIVER = Person(name="driver", mass_kg=71.0)


class Afternoon:
    """Feeds a flow, or whoever follows (`feeds`), and keeps what it answers."""

    def __init__(self, feeds: Callable[[Record], list[Record]] | None = None) -> None:
        pad_on_spot = {f"S{n}": f"P{n}" for n in range(1, 5)}
        self.flow = Flow(FlowSettings(), pad_on_spot, (DRIVER,), Phrases("kg"))
        self.feeds = feeds or self.flow.feed
        self.t_ns = 0
        self.out: list[Record] = []

    def feed(self, record: Record) -> list[Record]:
        answer = self.feeds(record)
        self.out.extend(answer)
        return answer

    def tick(self, seconds: float) -> int:
        self.t_ns += int(seconds * NS)
        return self.t_ns

    def zero(self) -> None:
        for pad in PADS:
            self.feed(ZeroCheck(pad=pad, t_mono_ns=self.tick(0.1), zero_kg=0.0, u_kg=0.05, n=40))

    def on(self) -> None:
        self.feed(CarOn(t_mono_ns=self.tick(5), mass_kg=970.0))

    def off(self) -> None:
        self.feed(CarOff(t_mono_ns=self.tick(5)))

    def rock(self) -> None:
        t_ns = self.tick(3)
        self.feed(
            Rock(
                t_from_mono_ns=t_ns,
                t_to_mono_ns=self.tick(2),
                swings=4,
                frequency_Hz=1.6,
                damping_ratio=0.3,
                amplitude_kg=80.0,
            )
        )

    def rest(self, loads_by_spot: dict[str, float], stood_s: float = 3.0) -> list[Record]:
        t_ns = self.tick(3)
        loads = tuple(loads_by_spot[f"S{n}"] for n in range(1, 5))
        covariance = tuple(0.01 if i == j else 0.0 for i in range(4) for j in range(4))
        self.last_rest = CarRest(
            pads=PADS,
            t_from_mono_ns=t_ns,
            t_from_wall_ns=t_ns,
            t_declared_mono_ns=t_ns + NS // 2,
            t_to_mono_ns=t_ns + NS // 2 + int(stood_s * NS),
            declared_mass_kg=sum(loads),
            declared_u_kg=0.2,
            mass_kg=sum(loads),
            u_kg=0.2,
            loads_kg=loads,
            covariance_kg2=covariance,
            slope_kg_per_s=0.0,
            n=60,
            open=True,
        )
        return self.feed(self.last_rest)

    def do(self, verb: str, argument: str = "") -> list[Record]:
        return self.feed(Command(t_mono_ns=self.tick(1), verb=verb, argument=argument, origin="test"))

    def said(self) -> list[str]:
        return [r.text for r in self.out if isinstance(r, Say)]


def on_spots(facing: str, plus: float = 0.0) -> dict[str, float]:
    loads = dict(CORNERS_OUT)
    loads["LF"] += plus / 2
    loads["LR"] += plus / 2
    return loads_at(facing, loads)
