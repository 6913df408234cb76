"""What must arrive: messages in order, one of them under way, and the latest of each retained topic.

Knows nothing of brokers. One thread sends; any thread may put.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable

from logger.topics import Message

Has = Callable[[Message], bool]
"""Tells whether the broker has this very message retained."""


class Outbox:
    """A bounded queue that numbers what it takes and gives each message up only when it has arrived."""

    def __init__(self, most: int) -> None:
        self.most = most
        self.overflowed = 0
        """Messages that had to go because the queue was full: the oldest."""
        self.superseded = 0
        """Revisions of rests let go because a full queue held a later one."""
        self._seq = 0
        self._queue: deque[Message] = deque()
        self._head: Message | None = None
        self._latest: dict[str, Message] = {}
        self._lock = threading.Lock()

    def __len__(self) -> int:
        return len(self._queue) + (self._head is not None)

    def put(self, write: Callable[[int], Message | None]) -> bool:
        """Number and take what `write(seq)` makes; False when it makes nothing."""
        with self._lock:
            message = write(self._seq + 1)
            if message is None:
                return False
            self._seq = message.seq
            if len(self._queue) >= self.most:
                self._make_room()
            self._queue.append(message)
            return True

    def _make_room(self) -> None:
        """Let go what a later revision of the same rest says better, else the oldest."""
        newest = {message.about: message for message in self._queue}
        kept = [message for message in self._queue if newest[message.about] is message]
        if len(kept) == len(self._queue):
            kept = kept[1:]
            self.overflowed += 1
        else:
            self.superseded += len(self._queue) - len(kept)
        self._queue = deque(kept)

    def head(self) -> Message | None:
        """The message to send now: the same one until it is done; None when nothing waits."""
        with self._lock:
            if self._head is None and self._queue:
                self._head = self._queue.popleft()
            return self._head

    def done(self) -> None:
        """The head has arrived."""
        if self._head is not None and self._head.channel.retain:
            self._latest[self._head.topic] = self._head
        self._head = None

    def settle(self, has: Has) -> bool:
        """After a broken connection: tell whether the head was under way and has arrived, and is done."""
        arrived = self._head is not None and has(self._head)
        if arrived:
            self.done()
        return arrived

    def forgotten(self, has: Has) -> list[Message]:
        """Retained messages that the broker no longer has, but for topics where something newer waits."""
        with self._lock:
            newer = {message.topic for message in (*self._queue, *filter(None, [self._head]))}
        return [m for topic, m in self._latest.items() if topic not in newer and not has(m)]
