"""The queue of what must arrive, against a plain model of it."""

from __future__ import annotations

import threading

from bus.every_record import a_rest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.model import Record
from logger.outbox import Outbox
from logger.topics import Message, Topics

BARN = Topics("barn", "boot1")


def put(outbox: Outbox, record: Record) -> bool:
    return outbox.put(lambda seq: BARN.message(record, seq, 0))


def has_none(_: Message) -> bool:
    return False


@settings(max_examples=200, deadline=None)
@given(steps=st.lists(st.sampled_from(["put", "send", "break", "break but arrived"]), max_size=60))
def test_each_arrives_once_and_in_order_whatever_breaks(steps: list[str]) -> None:
    outbox, arrived, number = Outbox(1000), [], 0
    for step in steps:
        if step == "put":
            number += 1
            assert put(outbox, a_rest(number))
            continue
        head = outbox.head()
        if head is None:
            continue
        if step == "send":
            arrived.append(head.seq)
            outbox.done()
        elif step == "break but arrived":
            arrived.append(head.seq)
            assert outbox.settle(lambda message, head=head: message is head)
        else:
            assert not outbox.settle(has_none)
    while (head := outbox.head()) is not None:
        arrived.append(head.seq)
        outbox.done()
    assert arrived == list(range(1, number + 1))
    assert len(outbox) == 0


def test_what_is_under_way_stays_when_the_queue_runs_over() -> None:
    outbox = Outbox(2)
    for number in range(1, 4):
        put(outbox, a_rest(number))
        first = outbox.head()
    for number in range(4, 8):
        put(outbox, a_rest(number))
    assert first is outbox.head()
    assert first is not None
    assert first.seq == 1
    assert outbox.overflowed == 4
    outbox.done()
    assert [m.seq for m in iter_heads(outbox)] == [6, 7]


def iter_heads(outbox: Outbox) -> list[Message]:
    heads = []
    while (head := outbox.head()) is not None:
        heads.append(head)
        outbox.done()
    return heads


def test_only_the_latest_of_a_topic_is_restored_and_not_where_a_newer_waits() -> None:
    outbox = Outbox(10)
    for pad in ("P1", "P2", "P1"):
        put(outbox, a_rest(1, pad))
    iter_heads(outbox)
    assert [m.seq for m in outbox.forgotten(has_none)] == [3, 2]
    assert [m.seq for m in outbox.forgotten(lambda m: m.seq == 3)] == [2]
    put(outbox, a_rest(2, "P2"))
    assert [m.seq for m in outbox.forgotten(has_none)] == [3]


def test_numbers_are_given_once_though_many_put() -> None:
    outbox = Outbox(10_000)
    threads = [
        threading.Thread(target=lambda: [put(outbox, a_rest(1)) for _ in range(200)]) for _ in range(4)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert [m.seq for m in iter_heads(outbox)] == list(range(1, 801))
