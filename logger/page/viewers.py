"""Who watches the page: each has a bounded queue of messages and is let go when it falls behind."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from typing import Any

import msgspec

from logger.drawing.sheet import Nose
from logger.page.doors import Visitor


class Viewer:
    """One open page; gets what has changed since it was last told."""

    def __init__(self, nose: Nose, behind: int, visitor: Visitor = Visitor("command")) -> None:  # noqa: B008  frozen
        self.nose: Nose = nose
        self.visitor = visitor
        self.gone = False
        self._queue: asyncio.Queue[bytes | None] = asyncio.Queue(behind)
        self._told: dict[str, Any] = {}

    def tell(self, state: dict[str, Any]) -> None:
        """Queue what is new of the state, or a sign of life; a viewer that lags too far is let go instead."""
        mine = {key: value for key, value in _of_nose(state, self.nose) if self._told.get(key, ...) != value}
        self._told.update(mine)
        try:
            self._queue.put_nowait(b"data: " + msgspec.json.encode(mine) + b"\n\n")
        except asyncio.QueueFull:
            self.let_go()

    def let_go(self) -> None:
        """End the stream; what still waits is dropped, since whoever returns gets the present state."""
        self.gone = True
        while not self._queue.empty():
            self._queue.get_nowait()
        self._queue.put_nowait(None)

    async def stream(self) -> AsyncIterator[bytes]:
        """Yield server-sent events until the viewer is let go."""
        while (message := await self._queue.get()) is not None:
            yield message


def _of_nose(state: dict[str, Any], nose: Nose) -> list[tuple[str, Any]]:
    """Only the drawings of this viewer's orientation, under names that no longer say which."""
    mine = []
    for key, value in state.items():
        name, _, of = key.partition("-")
        if of in ("", nose):
            mine.append((name, value))
    return mine
