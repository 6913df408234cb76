"""A reading is restated when the next zero check comes: same record, next revision, on bus and in store."""

from __future__ import annotations

import asyncio
import random
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from bus.conftest import Mosquitto, listening, running, until
from support.small_bay import T_WALL_NS, LiveBay, S

from logger.journal_segment import Entry
from logger.model import CarRest, Chunk, PortEvent, Record, Rest, ZeroCheck
from logger.store.dataset import car_rests, rests, revisions

DRIFT = {"1": 0.4, "2": -0.2}
"""What each pad's zero has moved by when the load is off again (kg)."""


def drifting() -> Iterator[Entry]:
    """Both pads empty for 10 s, loaded for 20 s, empty for 12 s at another zero; 20 lines a second."""
    dice, t0_ns = random.Random(5), 5_000 * S
    yield PortEvent(port="line", t_mono_ns=t0_ns, t_wall_ns=T_WALL_NS, event="opened")
    for k in range(42 * 20):
        t_s = k / 20
        load, back = (250.0 if 10 <= t_s < 30 else 0.0), t_s >= 30
        lines = b"".join(
            f"P{pad} still {load + 0.3 + drift * back + dice.gauss(0, 0.03):11.2f} kg\r\n".encode()
            for pad, drift in DRIFT.items()
        )
        t_ns = t0_ns + round(t_s * S)
        yield Chunk(port="line", t_mono_ns=t_ns, t_wall_ns=t_ns - t0_ns + T_WALL_NS, data=lines)


@pytest.fixture(scope="module")
def bay(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[Record]]:
    """A bay that lived through it: its folder and the records it gave."""
    folder = tmp_path_factory.mktemp("bay")
    live = LiveBay(folder, segment_s=60.0)
    for entry in drifting():
        live.feed(entry)
    live.close()
    assert live.troubles == []
    return folder, live.records


def loaded(records: list[Record], pad: str) -> list[Rest | CarRest]:
    """Every revision of the one rest under load of a pad ("*": of the car)."""
    kind = CarRest if pad == "*" else Rest
    told = [r for r in records if isinstance(r, kind) and r.mass_kg > 100 and getattr(r, "pad", "*") == pad]
    assert len({r.t_from_mono_ns for r in told}) == 1
    return told


@pytest.mark.parametrize(("pad", "moved_kg"), [("P1", -0.2), ("P2", 0.1), ("*", -0.1)])
def test_the_next_check_restates_and_the_store_keeps_every_revision(
    bay: tuple[Path, list[Record]], pad: str, moved_kg: float
) -> None:
    folder, records = bay
    told = loaded(records, pad)
    closed = [r for r in told if not r.open]
    assert closed[-1].mass_kg - closed[0].mass_kg == pytest.approx(moved_kg, abs=0.05)  # half of the drift
    assert [r.revision for r in told] == list(range(len(told)))
    assert {r.declared_mass_kg for r in told} == {told[0].declared_mass_kg}
    place = {id(r): k for k, r in enumerate(records)}
    checks = [place[id(r)] for r in records if isinstance(r, ZeroCheck) and r.t_mono_ns > 5_030 * S]
    assert place[id(closed[0])] < min(checks) < place[id(closed[-1])]

    table, kind = ("car_rests", CarRest) if pad == "*" else ("rests", Rest)
    stored = [r for _, r in revisions(folder / "dataset", table, kind)]
    mine = [r for r in stored if r.t_from_mono_ns // 1000 == told[0].t_from_mono_ns // 1000]
    mine = [r for r in mine if getattr(r, "pad", "*") == pad]
    assert sorted(r.revision for r in mine) == list(range(len(told)))
    last = car_rests(folder / "dataset") if pad == "*" else rests(folder / "dataset")
    kept = [r.mass_kg for r in last if r.mass_kg > 100 and getattr(r, "pad", "*") == pad]
    assert kept == [closed[-1].mass_kg]


def test_the_bus_gives_each_revision_and_keeps_the_present_rest(
    bay: tuple[Path, list[Record]], mosquitto: Callable[..., Mosquitto]
) -> None:
    records = [r for r in bay[1] if isinstance(r, Rest | CarRest)]
    broker = mosquitto()

    async def scenario() -> None:
        async with running(broker.port) as at:
            async with listening(broker.port, "restpoint/barn/rest/#") as heard:
                for record in records:
                    at.bus.put(record)
                await until(lambda: len(heard) >= len(records))
            for pad, topic in (("P1", "P1"), ("P2", "P2"), ("*", "car")):
                said = [m.said for m in heard if m.topic == f"restpoint/barn/rest/{topic}"]
                told = loaded(bay[1], pad)
                mine = [m for m in said if m["rest_id"] == str(told[0].t_from_mono_ns)]
                assert [m["revision"] for m in mine] == [r.revision for r in told]
                assert mine[-1]["value"] == pytest.approx(told[-1].mass_kg, abs=1e-3)
            async with listening(broker.port, "restpoint/barn/rest/#") as late:
                await until(lambda: len(late) >= 3)
            assert all(
                abs(float(str(m.said["value"]))) < 1 for m in late
            )  # empty pads, not the load restated

    asyncio.run(scenario())
