"""Threads go on without memory, whatever fails for want of it, and end by anything else."""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path

import pytest
from support.served_page import until

from logger import shortage
from logger.journal import Journal, JournalSettings
from logger.journal_folder import read_journal
from logger.model import Chunk
from logger.shortage import go_round, no_memory
from logger.store import Store, StoreSettings


def test_a_lock_or_a_thread_that_cannot_be_had_is_want_of_memory() -> None:
    assert no_memory(RuntimeError("can't allocate lock"))
    assert no_memory(RuntimeError("can't start new thread"))
    assert not no_memory(RuntimeError("another"))


def test_a_step_is_taken_again_until_it_says_that_it_was_the_last(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(shortage, "SHORT_PAUSE_S", 0.0)
    answers = iter([False, MemoryError(), RuntimeError("can't allocate lock"), False, True, KeyError()])

    def step() -> bool:
        answer = next(answers)
        if isinstance(answer, Exception):
            raise answer
        return bool(answer)

    go_round(step)
    with pytest.raises(KeyError):
        go_round(step)


def test_journal_and_store_outlive_waits_and_words_that_no_memory_is_there_for(tmp_path: Path) -> None:
    """Even `Event.wait` needs a lock, and telling of a shortage a string."""
    short, told = threading.Event(), list[str]()

    def tell(event: str, _: str) -> None:
        if short.is_set():
            raise MemoryError
        told.append(event)

    def starved(wait: Callable[[float], bool]) -> Callable[[float], bool]:
        def waits(timeout_s: float) -> bool:
            if short.is_set():
                raise RuntimeError("can't allocate lock")
            return wait(timeout_s)

        return waits

    journal = Journal(tmp_path / "journal", JournalSettings(fsync_ms=10), tell)
    store = Store(tmp_path, "barn", StoreSettings(look_ms=10), tell)
    for thing in (journal, store):
        thing._stop.wait = starved(thing._stop.wait)  # type: ignore[method-assign]  # that is the shortage
    short.set()
    chunk = Chunk(port="line", t_mono_ns=1, t_wall_ns=2, data=b"x")
    journal.put(chunk)
    threading.Event().wait(0.3)
    assert journal.alive
    assert store.alive
    short.clear()
    until(lambda: journal.waiting_bytes == 0)
    journal.close()
    store.close()
    assert list(read_journal(tmp_path / "journal")) == [chunk]
    assert told == []
