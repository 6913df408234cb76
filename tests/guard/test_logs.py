"""Log lines: the same fault once a minute with counts, the last word never lost, priorities for journald."""

from __future__ import annotations

import json
import subprocess
import sys
from itertools import pairwise
from typing import Any

import pytest
import structlog
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.logs import AGAIN_S, Quiet


class Clock:
    now_s = 1000.0

    def __call__(self) -> float:
        return self.now_s


def put(quiet: Quiet, method: str = "info", **line: Any) -> Any:
    try:
        return quiet(None, method, line)
    except structlog.DropEvent:
        return None


def test_a_flapping_port_makes_two_lines_a_minute_and_its_last_state_is_told() -> None:
    clock = Clock()
    quiet = Quiet(clock)
    told = []
    for n in range(600):
        event = "lost" if n % 2 == 0 else "restored"
        told.append(put(quiet, event="port", port="P1", event_name=event, detail=f"figure {n}"))
        clock.now_s += 0.05
    assert [line for line in told if line] == [
        {"event": "port", "port": "P1", "event_name": "lost", "detail": "figure 0"},
        {"event": "port", "port": "P1", "event_name": "restored", "detail": "figure 1"},
    ]
    assert quiet.held() == []
    clock.now_s += AGAIN_S
    held = quiet.held()
    assert [(line["event_name"], line["more"]) for _, line in held] == [("lost", 298), ("restored", 298)]
    assert held[-1][1]["detail"] == "figure 599", "the last word is the last line"
    assert quiet.held() == []
    assert put(quiet, **held[0][1]) == held[0][1], "what is due is not held back again"


def test_a_figure_in_a_reason_makes_no_line_of_its_own() -> None:
    clock = Clock()
    quiet = Quiet(clock)
    assert put(quiet, event="pad", pad="P1", condition="empty", reason="zero drifts -0.057 kg/h")
    clock.now_s += 30.0
    assert put(quiet, event="pad", pad="P1", condition="empty", reason="zero drifts -0.019 kg/h") is None
    clock.now_s += 30.0
    last = put(quiet, event="pad", pad="P1", condition="empty", reason="zero drifts 0.004 kg/h")
    assert (last["reason"], last["more"]) == ("zero drifts 0.004 kg/h", 1)


def test_another_fault_is_another_line_and_a_returning_one_counts() -> None:
    clock = Clock()
    quiet = Quiet(clock)
    assert put(quiet, event="journal_blocked", detail="No space left")
    assert put(quiet, event="journal_restored", detail="")
    assert put(quiet, "warning", event="journal_blocked", detail="x"), "another level is another line"
    assert put(quiet, event="journal_blocked", detail="again") is None
    clock.now_s += AGAIN_S + 1
    assert put(quiet, event="journal_blocked", detail="later") == {
        "event": "journal_blocked",
        "detail": "later",
        "more": 1,
    }


@settings(deadline=None, max_examples=100)
@given(st.lists(st.tuples(st.integers(0, 3), st.floats(0, 40)), max_size=60))
def test_no_line_is_lost_and_none_comes_twice_a_minute(lines: list[tuple[int, float]]) -> None:
    clock = Clock()
    quiet = Quiet(clock)
    stands_for, times = dict.fromkeys(range(4), 0), {n: [] for n in range(4)}  # type: ignore[var-annotated]  # floats
    for part, wait_s in lines:
        clock.now_s += wait_s
        for line in [put(quiet, event="e", part=part), *(line for _, line in quiet.held())]:
            if line:
                stands_for[line["part"]] += 1 + line.get("more", 0)
                times[line["part"]].append(clock.now_s)
    for row in times.values():
        assert all(b - a >= AGAIN_S for a, b in pairwise(row))
    clock.now_s += AGAIN_S + 1
    for _, line in quiet.held():
        stands_for[line["part"]] += 1 + line["more"]
    assert stands_for == {n: sum(part == n for part, _ in lines) for n in range(4)}


@pytest.mark.parametrize("journald", [True, False])
def test_lines_are_json_with_the_priority_that_journald_takes_off(journald: bool) -> None:
    code = (
        "from logger.logs import configure; log = configure('b'); log.info('a'); log.error('b', detail='ü')"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        check=True,
        env={"PATH": "", "PYTHONUTF8": "1"} | ({"JOURNAL_STREAM": "8:1"} if journald else {}),
    )
    info, error = done.stderr.splitlines()

    assert json.loads(error.removeprefix("<3>"))["level"] == "error"
    assert (info.startswith("<6>{"), error.startswith("<3>{")) == (journald, journald)
