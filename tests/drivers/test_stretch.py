"""Read in stretches, each chunk gives the very frames that feeding gives, and leaves the driver the same."""

from __future__ import annotations

import random
from itertools import accumulate
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from drivers.api import Frame, Reject
from drivers.conformance import Case, cases, damaged
from drivers.layout import load_layout
from drivers.registry import find
from drivers.stream import StreamDriver
from drivers.stretch import Stretch

ALL = cases(Path(__file__).parent / "cases")
Out = list[Frame | Reject]


def make(case: Case) -> StreamDriver:
    driver = find(case.about["driver"], [case.folder])()
    assert isinstance(driver, StreamDriver)
    return driver


def less_raw(item: Frame | Reject) -> Frame | Reject:
    """A frame without its bytes, which a stretch does not give: messages that say the same share one."""
    return replace(item, raw=b"") if isinstance(item, Frame) else item


def taken(driver: StreamDriver, found: Stretch, chunks: list[bytes]) -> list[Out]:
    """Take the chunks whose bytes are all of good messages; what each gives."""
    ends = found.ends.tolist()
    stop, out = found.held, []
    for chunk in chunks:
        if not ends or stop + len(chunk) > ends[-1]:
            break
        here = [k for k, end in zip(found.which, ends, strict=True) if stop < end <= stop + len(chunk)]
        out.append([frame for k in here for frame in found.frames[k]])
        stop += len(chunk)
    if out:
        driver.hold(found.buffer[max((end for end in ends if end <= stop), default=0) : stop])
    return out


def in_stretches(driver: StreamDriver, chunks: list[bytes], ahead: int) -> tuple[list[Out], int]:
    """What each chunk gives, and how many were not fed."""
    out: list[Out] = []
    spared = 0
    while len(out) < len(chunks):
        some = chunks[len(out) : len(out) + ahead]
        found = driver.stretch(b"".join(some))
        good = taken(driver, found, some) if found is not None else []
        spared += len(good)
        out += good or [[less_raw(item) for item in driver.feed(some[0], 0)]]
    return out, spared


@pytest.mark.parametrize("case", ALL, ids=repr)
def test_each_chunk_gives_what_feeding_it_gives(case: Case) -> None:
    dice = random.Random(6)
    polled = make(case).request(0) is not None
    spared = 0
    for data in (case.recording * 3, damaged(case.recording * 3, seed=7)):
        for longest in (1, 7, 60, 400):
            chunks, at = [], 0
            while at < len(data):
                chunks.append(data[at : at + dice.randint(1, longest)])
                at += len(chunks[-1])
            fed, read = make(case), make(case)
            plain = [[less_raw(item) for item in fed.feed(chunk, 0)] for chunk in chunks]
            for ahead in (1, 5, 50):
                read = make(case)
                found, good = in_stretches(read, chunks, ahead)
                assert found == plain, (longest, ahead)
                assert read.pending() == fed.pending()
                spared += good
    assert (spared == 0) == polled


def test_a_message_is_decoded_once_and_its_memory_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("drivers.stretch.MOST", 10)
    driver = find("line-plain")()
    assert isinstance(driver, StreamDriver)
    driver.feed(b"\r\n", 0)  # in step
    lines = [f"P1 still {k / 100:11.2f} kg\r\n".encode() for k in range(8)]
    first = driver.stretch(b"".join(lines + lines))
    assert first is not None
    assert first.which.tolist() == [*range(8), *range(8)]
    again = driver.stretch(lines[3])
    assert again is not None
    assert again.which.tolist() == [3]
    assert again.frames is first.frames
    more = driver.stretch(b"".join(f"P2 still {k / 100:11.2f} kg\r\n".encode() for k in range(8)))
    assert more is not None
    assert len(more.frames) == 16
    anew = driver.stretch(lines[3])
    assert anew is not None
    assert anew.which.tolist() == [0]
    assert len(anew.frames) == 1


COUNTED = """
limits_kg = [-100, 2500]
[frame]
kind = "line"
end = "<CR><LF>"
[body]
kind = "pattern"
pattern = 'P(?P<address>\\d) +(?P<value>-?\\d+\\.\\d) (?P<note>\\w+)'
[fields]
address = {}
value = {}
unit = "kg"
"""


def test_lines_that_differ_in_a_counter_alone_are_decoded_once() -> None:
    fed, read = load_layout(COUNTED).driver(), load_layout(COUNTED).driver()
    assert isinstance(read, StreamDriver)
    lines = [f"P{k % 4} {k // 50:6.1f} {k:x}\r\n".encode() for k in range(400)]
    for driver in (fed, read):
        driver.feed(b"\r\n", 0)  # in step
    plain = fed.feed(b"".join(lines), 0)
    found = read.stretch(b"".join(lines))
    assert found is not None
    assert [frame for k in found.which for frame in found.frames[k]] == [less_raw(item) for item in plain]
    assert found.ends.tolist() == list(accumulate(map(len, lines)))
    assert len(found.frames) < 80  # four pads, eight loads, counters of one to three digits
    broken = read.stretch(b"".join([*lines[:5], b"P1 1.0 \xff\r\n", *lines[5:]]))
    assert broken is not None
    assert broken.which.tolist() == found.which[:5].tolist()


HEAD = "limits_kg = [-100, 2500]\n"
LAYOUTS = [
    """frame = {kind = "line", end = "<CR><LF>", max = 30}
[body]
kind = "pattern"
pattern = 'P(?P<address>\\d) +(?P<value>-?\\d+\\.\\d+) (?P<note>\\w*)'""",
    """frame = {kind = "line", end = ";;", max = 30}
[body]
kind = "columns"
count = 3
separator = " "
[fields]
address = {column = 0}
value = {column = 1}""",
    """frame = {kind = "marked", start = "P", end = "<LF>"}
[body]
kind = "pattern"
pattern = '(?P<address>.) +(?P<value>-?\\d+\\.\\d+)( (?P<note>[0-9a-f]*))?'""",
    """frame = {kind = "fixed", start = "P", size = 16}
[body]
constants = [{at = 2, text = " "}]
[fields]
address = {at = 0, size = 2}
value = {at = 3, size = 6}""",
    """frame = {kind = "line", end = "\\n\\n", max = 30}
[body]
kind = "keyed"
separator = " "
[fields]
value = {key = "kg"}""",
]


@settings(deadline=None)  # a loaded machine takes its time
@given(st.sampled_from(LAYOUTS), st.integers(0, 2**32), st.booleans())
def test_stretches_of_any_layout_say_what_feeding_says(text: str, seed: int, damaged: bool) -> None:
    dice = random.Random(seed)
    fields = "" if "[fields]" in text else "[fields]\naddress = {}\nvalue = {}\n"
    layout = load_layout(f"{HEAD}{text}\n{fields}\n".replace("[fields]\n", '[fields]\nunit = "kg"\n', 1))
    fed, read = layout.driver(), layout.driver()
    assert isinstance(read, StreamDriver)
    lines = []
    for k in range(120):
        note = dice.choice((f"{k:07d}", f"{k:x}", ""))
        value = f"{dice.randrange(40) / 10:{1 if 'columns' in text else 6}.1f}"
        line = f"P{dice.randrange(3)} {value} {note}".encode()
        if "keyed" in text:
            line = f"a={note} kg={value.strip()}".encode()
        if "fixed" in text:
            lines.append(line.ljust(16)[:16])
        else:
            end = b"\r\n" if "CR" in text else b";;" if ";;" in text else b"\n\n" if "\\n" in text else b"\n"
            lines.append(line + end)
    data = bytearray(b"".join(lines))
    for _ in range(3 if damaged else 0):
        at = dice.randrange(len(data))
        data[at : at + dice.randrange(3)] = dice.choice((b"", b"9", b"\r\n", b"P", b"x", b";"))
    chunks, at = [], 0
    while at < len(data):
        chunks.append(bytes(data[at : at + dice.randint(1, 40)]))
        at += len(chunks[-1])
    plain = [[less_raw(item) for item in fed.feed(chunk, 0)] for chunk in chunks]
    ahead = dice.choice((1, 7, 100))
    found, spared = in_stretches(read, chunks, ahead)
    assert found == plain
    assert read.pending() == fed.pending()
    assert damaged or ahead == 1 or spared > len(chunks) // 2
