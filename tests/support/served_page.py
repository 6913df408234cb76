"""A page served for a test, on a loop in a thread of its own as beside the daemon."""

from __future__ import annotations

import asyncio
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from logger.model import Command, Record
from logger.page import Page, PageSettings, Results, Standing


def until(true: Callable[[], Any], within_s: float = 5.0) -> None:
    """Wait until something is true."""
    end = time.monotonic() + within_s
    while not true():
        assert time.monotonic() < end, "did not happen in time"
        time.sleep(0.01)


class Served:
    """A page that is being served; `put` may be called from the test's thread."""

    def __init__(self, folder: Path | None = None, **settings: Any) -> None:
        self.folder = folder
        self.commands: list[Command] = []
        self.log: list[str] = []
        self.health: dict[str, Any] = {}
        self.loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._run, args=(settings,), daemon=True)
        self._ready = threading.Event()
        self._thread.start()
        assert self._ready.wait(5)

    def _run(self, settings: dict[str, Any]) -> None:
        async def serve() -> None:
            self.page = Page(
                PageSettings(**{"port": 0, **settings}),
                self.commands.append,
                self.log.append,
                unit="kg",
                folder=self.folder,
                health=lambda: self.health,
            )
            self._ready.set()
            await self.page.serve()

        self.loop.run_until_complete(serve())
        self.loop.close()

    def await_address(self) -> str:
        """The page's address without the last slash, once it is served."""
        until(lambda: self.page.address)
        return str(self.page.address).rstrip("/")

    def put(self, *records: Record | Standing | Results) -> None:
        """Hand records over in the page's own loop, as the daemon does, and wait until they are in."""
        done = threading.Event()

        def hand_over() -> None:
            for record in records:
                self.page.put(record)
            done.set()

        self.loop.call_soon_threadsafe(hand_over)
        assert done.wait(5)

    def stop(self) -> float:
        """Stop serving; seconds that took."""
        begin = time.monotonic()
        if self._thread.is_alive():
            self.loop.call_soon_threadsafe(self.page.stop)
        self._thread.join(10)
        assert not self._thread.is_alive(), "the page did not stop"
        return time.monotonic() - begin
