"""Several addresses in turn on one line, a pseudo-terminal on which one of them is not there."""

from __future__ import annotations

import os
import threading
import tty
from collections.abc import Iterator
from contextlib import suppress

import pytest
from support.polled import POLLED

from drivers.api import Frame
from drivers.layout import load_layout
from logger.bay import Bay
from logger.settling.pipeline import Pipeline
from logger.stream_file import listen
from logger.trial import Trial


class Line:
    """The indicators' end of a line: `answers` by request; who is not there says nothing."""

    def __init__(self, answers: dict[bytes, bytes]) -> None:
        self.far, self._near = os.openpty()
        tty.setraw(self._near)
        self.name, self._answers = os.ttyname(self._near), answers
        self.asked: list[bytes] = []
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self) -> None:
        held = b""
        with suppress(OSError):
            while data := os.read(self.far, 64):
                *whole, held = (held + data).split(b"\r")
                for request in whole:
                    self.asked.append(request)
                    os.write(self.far, self._answers.get(request, b""))

    def close(self) -> None:
        os.close(self._near)  # the other side is closed: reading ends
        self._thread.join(2)
        os.close(self.far)


@pytest.fixture(params=[{b"B?": b"13.5\r"}, {}], ids=["one is there", "none is there"])
def line(request: pytest.FixtureRequest) -> Iterator[Line]:
    made = Line(request.param)
    yield made
    made.close()


def test_one_that_never_answers_is_counted_and_holds_nobody_up(line: Line) -> None:
    trial = Trial(load_layout(POLLED).driver())
    found = [item for _, item in trial.run(listen(line.name, trial.driver, 1.5)) if isinstance(item, Frame)]
    there = {(frame.address, frame.mass_kg) for frame in found}
    left, right = line.asked.count(b"A?"), line.asked.count(b"B?")
    assert right >= 8, "15 at most, where the machine has nothing else to do"
    assert abs(left - right) <= 1
    lost = trial.counted()["unanswered"]
    if there:
        assert there == {("right", 13.5)}
        assert len(found) >= right - 1
        assert left - 2 <= lost <= left + 1
    else:
        assert left + right - 2 <= lost <= left + right
    assert trial.summary()["bytes_rejected"] == 0
    assert trial.summary()["rejects"] == {"unanswered": lost}


def test_a_bay_counts_them_by_port_live_and_in_replay() -> None:
    live, replay = (
        Bay({"line": load_layout(POLLED).driver}, {"line": {"right": "P2"}}, Pipeline(["P2"])) for _ in "ab"
    )
    for n in range(6):
        t_ns = n * 50_000_000
        request = live.request("line", t_ns)
        assert request is not None
        replay.asked("line", request, t_ns)
    assert live.counts["line"].rejects == replay.counts["line"].rejects == {"unanswered": 5}
