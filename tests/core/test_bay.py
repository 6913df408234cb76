"""A bay's intake: pads by address, counts, causes of gaps, the clock; cutting bytes changes nothing."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from drivers import registry
from logger.bay import Bay
from logger.clock import NS
from logger.model import Chunk, ClockStep, Gap, GapCause, PortEvent, Record, Sample
from logger.settling.pipeline import Pipeline
from logger.settling.settings import Settling

PADS = ("P1", "P2")


def two_ports() -> Bay:
    make = registry.find("line-plain")
    pipeline = Pipeline(list(PADS), Settling(), dict.fromkeys(PADS, 500.0))
    return Bay({"a": make, "b": make}, {"a": {None: "P1"}, "b": {"P2": "P2"}}, pipeline)


def line(pad: int, mass_kg: float) -> bytes:
    return f"P{pad} still {mass_kg:11.2f} kg\r\n".encode()


def chunk(port: str, t_s: float, data: bytes, wall_off_s: float = 0.0) -> Chunk:
    return Chunk(port=port, t_mono_ns=round(t_s * NS), t_wall_ns=round((t_s + wall_off_s) * NS), data=data)


def samples(records: list[Record]) -> list[Sample]:
    return [record for record in records if isinstance(record, Sample)]


def test_a_port_with_one_pad_takes_any_address_and_others_count_strangers() -> None:
    bay = two_ports()
    bay.feed(chunk("a", 0.0, b"\r\n"))
    bay.feed(chunk("b", 0.0, b"\r\n"))
    (sample,) = samples(bay.feed(chunk("a", 1.0, line(3, 12.5))))
    assert (sample.pad, sample.mass_wire_kg) == ("P1", 12.5)
    assert samples(bay.feed(chunk("b", 1.0, line(4, 1.0)))) == []
    assert bay.counts["b"].unknown == {"P4": 1}
    assert samples(bay.feed(chunk("unknown port", 1.0, line(4, 1.0)))) == []


def test_every_byte_is_counted_and_rejects_have_their_reason() -> None:
    bay = two_ports()
    data = line(1, 1.0) + b"\x00\xffgarbage\r\n" + line(1, 2.0) + b"P1 sti"
    bay.feed(chunk("a", 0.0, data))
    count = bay.counts["a"]
    assert count.bytes == len(data)
    assert count.frames >= 1
    assert sum(count.rejects.values()) >= 1


def feed_steadily(bay: Bay, until_s: float, start_s: float = 0.0) -> list[Record]:
    out = []
    for n in range(round(start_s * 10), round(until_s * 10)):
        for port, pad in (("a", 1), ("b", 2)):
            out += bay.feed(chunk(port, n / 10, line(pad, 0.01 * (n % 2))))
    return out


def gaps_after(bay: Bay, event: Chunk | PortEvent) -> list[Gap]:
    feed_steadily(bay, 5.0)
    bay.feed(event)
    out = []
    for n in range(50, 90):
        out += bay.feed(chunk("b", n / 10, line(2, 0.0)))
    out += feed_steadily(bay, 12.0, start_s=9.0) + bay.finish()
    return [record for record in out if isinstance(record, Gap)]


def test_a_gap_has_the_cause_that_its_port_knows() -> None:
    lost = PortEvent(port="a", t_mono_ns=6 * NS, t_wall_ns=6 * NS, event="lost", detail="unplugged")
    assert {gap.cause for gap in gaps_after(two_ports(), lost)} == {GapCause.PORT_LOST}
    damaged = chunk("a", 6.0, b"P1 still  \x80\x81 kg\r\n")
    assert {gap.cause for gap in gaps_after(two_ports(), damaged)} == {GapCause.REJECTED}
    flooded = PortEvent(port="a", t_mono_ns=6 * NS, t_wall_ns=6 * NS, event="flooded")
    assert {gap.cause for gap in gaps_after(two_ports(), flooded)} == {GapCause.REJECTED}
    nothing = chunk("a", 4.95, b"")
    assert {gap.cause for gap in gaps_after(two_ports(), nothing)} == {GapCause.SILENT}


def test_half_a_frame_from_before_a_break_never_meets_one_from_after_it() -> None:
    bay = two_ports()
    bay.feed(chunk("a", 0.0, line(1, 1.0) + b"P1 still      3"))
    bay.feed(PortEvent(port="a", t_mono_ns=NS, t_wall_ns=NS, event="lost"))
    got = samples(bay.feed(chunk("a", 2.0, b"99.00 kg\r\n" + line(1, 2.0))))
    assert [sample.mass_wire_kg for sample in got] == [2.0]


def test_a_stepped_wall_clock_is_told_with_both_times() -> None:
    bay = two_ports()
    bay.feed(chunk("a", 1.0, line(1, 0.0)))
    assert not [r for r in bay.feed(chunk("b", 2.0, line(2, 0.0), 0.1)) if isinstance(r, ClockStep)]
    (step,) = [r for r in bay.feed(chunk("a", 3.0, line(1, 0.0), 3600.1)) if isinstance(r, ClockStep)]
    assert (step.wall_before_ns, step.wall_after_ns) == (round(3.1 * NS), round(3603.1 * NS))


@settings(deadline=None, max_examples=30)
@given(st.lists(st.integers(1, 40), min_size=1, max_size=60))
def test_cutting_the_bytes_otherwise_gives_the_same_values(cuts: list[int]) -> None:
    stream = b"\r\n" + b"".join(line(1, n / 4) for n in range(30)) + b"\xf0junk\r\n" + line(1, 8.0)
    whole = [s.mass_wire_kg for s in samples(two_ports().feed(chunk("a", 0.0, stream)))]
    bay, got, at = two_ports(), [], 0
    for n, size in enumerate([*cuts, len(stream)]):
        got += samples(bay.feed(chunk("a", float(n), stream[at : at + size])))
        at += size
    assert [s.mass_wire_kg for s in got] == whole


def numbered(seq: int) -> bytes:
    body = f"1 S +00012.50 kg 37 -061 {seq:04d}\x03".encode()
    check = 0
    for byte in body:
        check ^= byte
    return b"\x02" + body + b"%02X" % check


def test_lost_frames_are_counted_by_their_sequence_numbers() -> None:
    make = registry.find("stx-etx-xor")
    bay = Bay({"a": make}, {"a": {"P1": "P1"}}, Pipeline(["P1"], Settling(), {"P1": 500.0}))
    out = []
    for n, seq in enumerate([9997, 9998, 1, 2, 2, 5, 3]):  # 9999 and 0 lost, 2 said twice, 3 and 4 lost, back
        out += bay.feed(chunk("a", n / 10, numbered(seq)))
    lost = [r for r in out if isinstance(r, Gap) and r.cause is GapCause.LOST_FRAMES]
    assert [(gap.count, gap.t_from_mono_ns, gap.t_to_mono_ns) for gap in lost] == [
        (2, NS // 10, 2 * NS // 10),
        (2, 4 * NS // 10, 5 * NS // 10),
    ]
