"""What the simulation writes, the shipped layouts read back; what a poor line damages is never misread."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from random import Random

import pytest
from support import ROOT

from drivers.api import FLAG_MOVING, FLAG_OVERLOAD, FLAG_STEADY, Driver, Frame, Reject
from drivers.layout import load_layout
from drivers.sim.pads import PadSpec, Reading
from drivers.sim.scenario import Tick
from drivers.sim.wagtail import wagtail
from drivers.sim.wire import ENCODERS, PadLine, SharedLine, damaged, four_in_one, stx_etx_xor

LAYOUTS: Path = ROOT / "drivers" / "layouts"
PADS = ("P1", "P2", "P3", "P4")
PLAIN = Reading(
    pad="P2",
    t_s=1.0,
    mass_kg=312.45,
    steady=True,
    resolution_kg=0.05,
    temperature_C=8.0,
    battery_V=3.7,
    signal_dBm=-61.0,
    seq=418,
    lost=False,
    damaged=False,
    zero_kg=0.0,
    gain=1.0,
)


def driver(name: str) -> Driver:
    return load_layout(LAYOUTS / f"{name}.toml").driver()


def frames(name: str, data: bytes) -> list[Frame]:
    decoder = driver(name)
    decoder.feed(ENCODERS[name](PLAIN, "kg"), 0)  # a line is trusted from its second message on
    items = decoder.feed(data, 0)
    assert not [i for i in items if isinstance(i, Reject)]
    return [i for i in items if isinstance(i, Frame)]


@pytest.fixture(scope="module")
def ticks() -> list[Tick]:
    return list(wagtail(rest_s=2.0).play())


def test_the_picture_in_the_layout_is_what_is_written() -> None:
    picture = (LAYOUTS / "stx-etx-xor.toml").read_text(encoding="utf-8")
    body = "2 S +00312.45 kg 37 -061 0418"
    assert f"<STX>{body}<ETX>" in picture
    assert stx_etx_xor(PLAIN, "kg")[1:-3] == body.encode()
    shown = four_in_one([replace(PLAIN, mass_kg=m) for m in (231.5, 228.8, 190.7)] + [None], 418)
    assert shown.startswith(b"#0418;S +02315;S +02288;S +01907;. ......;")


@pytest.mark.parametrize("name", ENCODERS)
@pytest.mark.parametrize("unit", ["kg", "lb"])
@pytest.mark.parametrize("mass_kg", [312.45, 0.0, -0.05, None])
@pytest.mark.parametrize("steady", [True, False])
def test_bytes_come_back_through_the_layout(
    name: str, unit: str, mass_kg: float | None, steady: bool
) -> None:
    reading = replace(PLAIN, mass_kg=mass_kg, steady=steady)
    (frame,) = frames(name, ENCODERS[name](reading, unit))
    assert frame.address == "P2"
    if mass_kg is None:
        assert frame.flags & FLAG_OVERLOAD
        assert frame.mass_kg is None
        return
    assert frame.mass_kg == pytest.approx(mass_kg, abs=0.0051 * (1.0 if unit == "kg" else 0.4536))
    assert bool(frame.flags & FLAG_STEADY) == steady
    assert bool(frame.flags & FLAG_MOVING) != steady


def test_battery_signal_and_number_come_along() -> None:
    (frame,) = frames("stx-etx-xor", stx_etx_xor(PLAIN, "kg"))
    assert (frame.battery_V, frame.signal_dBm, frame.seq) == (3.7, -61.0, 418)


@pytest.mark.parametrize("name", ENCODERS)
def test_a_whole_afternoon_on_four_lines(name: str, ticks: list[Tick]) -> None:
    for pad in ("P1", "P3", "P4"):  # P2's radio is the poor one
        line = PadLine(name, pad)
        got = frames(name, b"".join(line(t) for t in ticks))
        sent = [t.readings[pad].mass_kg for t in ticks]
        assert [f.mass_kg for f in got] == pytest.approx(sent, abs=0.0051)


def test_a_whole_afternoon_on_one_line(ticks: list[Tick]) -> None:
    line, decoder = SharedLine(PADS), driver("four-in-one")
    for tick in ticks:
        got = {f.address: f for f in decoder.feed(line(tick), 0) if isinstance(f, Frame)}
        for pad, reading in tick.readings.items():
            if reading.lost or reading.damaged:
                assert pad not in got or got[pad].mass_kg is None
            else:
                assert got[pad].mass_kg == pytest.approx(reading.mass_kg, abs=0.051)


def test_lost_and_damaged_messages_are_missed_and_never_misread(ticks: list[Tick]) -> None:
    line, decoder = PadLine("stx-etx-xor", "P2", noise=0.05), driver("stx-etx-xor")
    items = [i for t in ticks for i in decoder.feed(line(t), 0)]
    got = [i for i in items if isinstance(i, Frame)]
    true = {t.readings["P2"].seq: t.readings["P2"].mass_kg for t in ticks}
    assert any(isinstance(i, Reject) for i in items)
    assert all(f.mass_kg == pytest.approx(true[f.seq or 0], abs=0.0051) for f in got)
    poor = sum(t.readings["P2"].lost or t.readings["P2"].damaged for t in ticks)
    assert 0 < len(ticks) - len(got) <= 3 * poor + 5


def test_damage_always_changes_the_message() -> None:
    message, random = stx_etx_xor(PLAIN, "kg"), Random(1)
    assert all(damaged(message, random) != message for _ in range(500))


def test_resolution_in_pounds_is_kept_by_pound_lines() -> None:
    """Half-pound steps written in pounds are whole halves (1 lb = 0.45359237 kg exactly, NIST SP 811)."""
    spec = PadSpec(resolution_kg=0.5 * 0.45359237)
    reading = replace(PLAIN, mass_kg=688 * spec.resolution_kg)
    assert b" 344.00 lb" in ENCODERS["line-plain"](reading, "lb")
