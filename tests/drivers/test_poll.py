"""Polling: turns, timeouts, pauses, echoes, and whose answer it is."""

from __future__ import annotations

import pytest
from support.polled import POLLED

from drivers.api import Driver, Frame, Reason, Reject
from drivers.layout import load_layout
from drivers.poll import Poll, Turn
from drivers.schema import LayoutError

MS = 1_000_000

TEXT = POLLED + "pause_s = 0.005\necho = ECHO\n"


def driver(*, echo: bool = False) -> Driver:
    return load_layout(TEXT.replace("ECHO", str(echo).lower())).driver()


def frames(made: Driver, data: bytes, t_ms: int) -> list[tuple[str | None, float | None]]:
    return [(item.address, item.mass_kg) for item in made.feed(data, t_ms * MS) if isinstance(item, Frame)]


def test_turns_and_names() -> None:
    made = driver()
    assert made.request(0) == b"A?\r"
    assert made.request(1 * MS) is None  # the answer is awaited
    assert frames(made, b"12.5\r", 10) == [("left", 12.5)]
    assert made.request(11 * MS) is None  # the period runs
    assert made.request(50 * MS) == b"B?\r"
    assert frames(made, b"13.5\r", 60) == [("right", 13.5)]
    assert made.request(100 * MS) == b"A?\r"


def test_no_answer_and_the_next_is_asked() -> None:
    made = driver()
    assert made.request(0) == b"A?\r"
    assert made.request(30 * MS) is None  # timed out, the period still runs
    assert made.request(50 * MS) == b"B?\r"


def test_half_an_answer_never_meets_the_next() -> None:
    made = driver()
    made.request(0)
    assert frames(made, b"1", 5) == []
    made.request(50 * MS)
    items = made.feed(b"13.5\r", 60 * MS)
    assert items[0] == Reject(reason=Reason.TRUNCATED, raw=b"1")
    assert isinstance(items[1], Frame)
    assert (items[1].address, items[1].mass_kg) == ("right", 13.5)


def test_pause_after_an_answer() -> None:
    turn = Turn(Poll(requests=(b"q",), period_ns=10 * MS, timeout_ns=10 * MS, pause_ns=5 * MS))
    turn.sent(b"q", 0)
    turn.heard(9 * MS)
    turn.answered()
    assert turn.due(12 * MS) is None
    assert turn.due(14 * MS) == b"q"


def test_echo_is_noise_and_not_an_answer() -> None:
    made = driver(echo=True)
    made.request(0)
    items = made.feed(b"A?", 1 * MS)
    assert items == []
    assert made.pending() == 2
    items = made.feed(b"\r12.5\r", 2 * MS)
    assert items[0] == Reject(reason=Reason.NOISE, raw=b"A?\r")
    assert isinstance(items[1], Frame)
    made.request(50 * MS)
    assert frames(made, b"7.5\r", 60) == [("right", 7.5)]  # an adapter that does not echo after all


def test_replay_is_told_what_was_sent() -> None:
    made = driver()
    made.sent(b"B?\r", 0)  # type: ignore[attr-defined]  # of the drivers that layouts make
    assert frames(made, b"13.5\r", 1) == [("right", 13.5)]


def test_unpolled_layouts_ask_nothing() -> None:
    made = load_layout(TEXT[: TEXT.index("[poll]")]).driver()
    assert made.request(0) is None


@pytest.mark.parametrize(
    ("was", "told"),
    [
        ("timeout_s = 0.02", "timeout_s = 0"),
        ("timeout_s = 0.02", "timeout_s = 3600"),
        ("timeout_s = 0.02", "timeout_s = 0.002"),  # at 9600 baud a request of three bytes takes 3.1 ms
        ("period_s = 0.05", "period_s = 0"),
        ("period_s = 0.05", "period_s = 86400"),
        ("pause_s = 0.005", "pause_s = -1"),
    ],
)
def test_absurd_times_are_refused_by_name(was: str, told: str) -> None:
    key = was.partition(" ")[0]
    with pytest.raises(LayoutError, match=key):
        load_layout(TEXT.replace("ECHO", "false").replace(was, told))


def test_what_nobody_answered_is_counted_once_a_request() -> None:
    made = driver()
    for t_ms in (0, 50, 100):
        made.request(t_ms * MS)
    assert made.unanswered == 2  # type: ignore[attr-defined]  # of the drivers that layouts make
    assert frames(made, b"12.5\r", 110) == [("left", 12.5)]
    made.request(150 * MS)
    assert made.unanswered == 2  # type: ignore[attr-defined]  # as above
