"""Captures that an earlier start wrote into the ledger and was killed before it could say on the bus. Pure.

The ledger is written first, the bus a moment later. The broker retains the last capture that arrived; what
the ledger has behind that one was never told.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import msgspec
from msgspec.structs import replace

from logger.model import Capture
from logger.topics import Body, Message, Topics, Unit

Earlier = Sequence[tuple[str, Capture]]
"""(boot, capture) of earlier starts in the order in which they were written, revisions and all."""
OF_ITS_SENDING = ("seq", "time", "age_s")
"""What of a message says when it was sent, and not what it is about."""

FAR = 10_000
"""More than a start can have said behind the last message of its own that is retained."""


def untold(
    retained: bytes,
    earlier: Earlier,
    bay: str,
    unit: Unit,
    now: tuple[int, int],
    said: Iterable[tuple[str, int]],
) -> list[Message]:
    """What is to be said yet, in the name of the start that wrote it; `now` is monotonic and wall time (ns).

    `retained` is the broker's message, b"" when it has none. Nothing where none of these captures is in it:
    it is this start's, or the broker forgot, and nobody knows what was told. `said` are (boot, seq) of all
    that the broker retains: numbers go on well behind them.
    """
    try:
        kept = _about(msgspec.json.decode(retained))
    except (msgspec.MsgspecError, UnicodeDecodeError, AttributeError):
        return []
    messages = [_message(boot, capture, bay, unit, now) for boot, capture in earlier]
    places = [n for n, message in enumerate(messages) if _about(_as_sent(message)) == kept]
    left = messages[places[-1] + 1 :] if places else []
    last: dict[str, int] = {}
    for boot, seq in said:
        last[boot] = max(seq, last.get(boot, 0))
    return [_numbered(message, last.get(message.body["boot"], 0) + FAR + n) for n, message in enumerate(left)]


def _message(boot: str, capture: Capture, bay: str, unit: Unit, now: tuple[int, int]) -> Message:
    """Its age is reckoned by the wall clock: monotonic time may have begun anew."""
    made = Topics(bay, boot, unit).message(capture, 0, capture.t_wall_ns - capture.t_mono_ns)
    assert made is not None  # captures are for the bus
    age_ns = max(now[1] - capture.t_wall_ns, 0)
    return replace(made, t_mono_ns=now[0] - age_ns)


def _numbered(message: Message, seq: int) -> Message:
    return replace(message, seq=seq, body={**message.body, "seq": seq})


def _as_sent(message: Message) -> Body:
    sent: Body = msgspec.json.decode(msgspec.json.encode(message.body))
    return sent


def _about(body: Body) -> Body:
    return {key: value for key, value in body.items() if key not in OF_ITS_SENDING}
