"""What every driver must do, as a class that its tests inherit; plug-ins use it as the shipped layouts do.

    from pathlib import Path
    from drivers.conformance import DriverConformance, cases

    class TestMine(DriverConformance):
        cases = cases(Path(__file__).parent / "cases")

        def make(self, case):
            return MyDriver()

A case is a folder: `recording.bin` (bytes as they came), `about.toml` (what was done, `driver`, and
optionally `integrity = "none"`), `expected.jsonl` (one object for each frame: the frame's fields without
`raw`, left out where they hold their default). pytest is imported by whoever inherits, not here.
"""

from __future__ import annotations

import random
import time
import tomllib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar

from msgspec import json, to_builtins
from msgspec.structs import fields

from drivers.api import Driver, Frame, Reject

BUFFER_BOUND = 1 << 18
"""Bytes a driver may hold back at most: four messages of the longest a layout allows."""
NOISE = 4096
"""Bytes of noise fed between frames."""


@dataclass(frozen=True)
class Case:
    """A recording with its passport and the frames it holds."""

    name: str
    folder: Path
    recording: bytes
    about: dict[str, Any]
    expected: tuple[dict[str, Any], ...]

    def __repr__(self) -> str:
        """Show the name, which is what a failing test should print."""
        return self.name


def cases(folder: Path) -> list[Case]:
    """Read all cases of a folder, sorted by name."""
    return [read_case(path.parent) for path in sorted(Path(folder).glob("*/about.toml"))]


def read_case(folder: Path) -> Case:
    """Read one case."""
    lines = (folder / "expected.jsonl").read_bytes().splitlines()
    return Case(
        name=folder.name,
        folder=folder,
        recording=(folder / "recording.bin").read_bytes(),
        about=tomllib.loads((folder / "about.toml").read_text(encoding="utf-8")),
        expected=tuple(json.decode(line) for line in lines if line.strip()),
    )


def frame_fields(frame: Frame) -> dict[str, Any]:
    """A frame as expected.jsonl holds it: without raw and without defaults."""
    defaults = {item.name: item.default for item in fields(Frame)}
    values = to_builtins(frame)
    return {key: value for key, value in values.items() if key != "raw" and value != defaults[key]}


def expected_lines(driver: Driver, recording: bytes) -> bytes:
    """What a driver makes of a recording, as expected.jsonl holds it; read it against the display."""
    frames = (item for item in run(driver, recording) if isinstance(item, Frame))
    return b"".join(json.encode(frame_fields(frame)) + b"\n" for frame in frames)


def run(driver: Driver, data: bytes, sizes: list[int] | None = None) -> list[Frame | Reject]:
    """Feed data cut into chunks of these sizes (one chunk when None), 10 ms apart."""
    out: list[Frame | Reject] = []
    at = t_mono_ns = 0
    for size in [*(sizes or []), len(data)]:
        out += driver.feed(data[at : at + size], t_mono_ns)
        at += size
        t_mono_ns += 10_000_000
    return out


def values(items: list[Frame | Reject]) -> list[tuple[object, ...]]:
    """What a reading says: pad, number, unit and flags of every frame."""
    return [
        (item.address, item.mass_kg, item.counts, item.wire_unit, item.flags)
        for item in items
        if isinstance(item, Frame)
    ]


class DriverConformance:
    """The demands, each a test; `cases` and `make` are given by who inherits."""

    cases: ClassVar[list[Case]] = []
    make: Callable[[Case], Driver]
    """Makes a driver for a case, beginning anew. Not abstract: pytest leaves out abstract classes."""
    frames_per_s: ClassVar[float] = 20_000.0
    """Least speed, far below what is measured: it finds quadratic behaviour, not a slow machine."""

    def test_has_cases(self) -> None:
        """Without a recording there is no driver."""
        assert self.cases

    def test_is_a_driver(self) -> None:
        """The members of drivers.api.Driver are there."""
        for case in self.cases:
            assert isinstance(self.make(case), Driver), case

    def test_golden_recording(self) -> None:
        """The recording gives exactly the frames expected."""
        for case in self.cases:
            got = [
                frame_fields(item) for item in run(self.make(case), case.recording) if isinstance(item, Frame)
            ]
            assert got == list(case.expected), case

    def test_any_chunking(self) -> None:
        """However the bytes are cut, frames and rejects are the same."""
        for case in self.cases:
            whole = run(self.make(case), case.recording)
            rng = random.Random(1)
            for longest in (1, 3, 17, 200):
                sizes = [rng.randint(1, longest) for _ in range(len(case.recording))]
                assert run(self.make(case), case.recording, sizes) == whole, (case, longest)

    def test_bytes_conserved(self) -> None:
        """Every byte is in one frame or reject, in order, or pending; damaged streams included."""
        for case in self.cases:
            for data in (case.recording, damaged(case.recording, seed=2)):
                driver = self.make(case)
                raw = b"".join(item.raw for item in run(driver, data))
                assert raw == data[: len(raw)], case
                assert len(raw) + driver.pending() == len(data), case

    def test_arbitrary_bytes(self) -> None:
        """Noise never raises, and the buffer stays bounded."""
        rng = random.Random(3)
        for case in self.cases:
            driver = self.make(case)
            alphabet = bytes(set(case.recording))
            for _ in range(200):
                pool = alphabet if rng.random() < 0.5 else bytes(range(256))
                driver.feed(bytes(rng.choices(pool, k=rng.randint(1, 300))), 0)
                assert driver.pending() <= BUFFER_BOUND, case

    def test_recovers_after_noise(self) -> None:
        """At most two messages are lost after noise, then the frames are those of the recording."""
        for case in self.cases:
            clean = run(self.make(case), case.recording)
            messages = [item for item in clean if isinstance(item, Frame) and item.raw]
            whole = values(clean)
            if len(messages) < 4:
                continue
            rng = random.Random(4)
            driver = self.make(case)
            driver.feed(case.recording, 0)
            driver.feed(rng.randbytes(NOISE), 1)
            got = values(run(driver, case.recording + case.recording))
            lost = 2 * -(-len(whole) // len(messages))
            wanted = (whole + whole)[lost:]
            assert got[len(got) - len(wanted) :] == wanted, case

    def test_one_byte_changed(self) -> None:
        """A message with one byte changed is refused or says the same, unless integrity is none."""
        for case in self.cases:
            if case.about.get("integrity") == "none":
                continue
            true = set(values(run(self.make(case), case.recording)))
            rng = random.Random(5)
            for _ in range(120):
                data = bytearray(case.recording)
                at = rng.randrange(len(data))
                data[at] ^= rng.randint(1, 255)
                got = values(run(self.make(case), bytes(data)))
                assert set(got) <= true, (case, at, data[at])

    def test_integrity_is_told(self) -> None:
        """Frames name their check, or the passport says that there is none."""
        for case in self.cases:
            frames = [item for item in run(self.make(case), case.recording) if isinstance(item, Frame)]
            none = case.about.get("integrity") == "none"
            assert all((frame.integrity == "none") == none for frame in frames), case

    def test_silence_invents_nothing(self) -> None:
        """No bytes, no frames: whatever the time, and also after a recording."""
        for case in self.cases:
            driver = self.make(case)
            assert driver.feed(b"", 0) == [], case
            driver.feed(case.recording, 1)
            for t_s in (1, 60, 86_400):
                assert driver.feed(b"", t_s * 10**9) == [], case

    def test_speed(self) -> None:
        """A long stream takes time in proportion to its length, and is fast enough for any line."""
        for case in self.cases:
            data = case.recording * (1 + 200_000 // len(case.recording))
            driver = self.make(case)
            begun = time.process_time()
            frames = sum(len(driver.feed(data[at : at + 4096], 0)) for at in range(0, len(data), 4096))
            took_s = time.process_time() - begun
            assert took_s < frames / self.frames_per_s + 0.05, (case, frames, took_s)


def damaged(data: bytes, seed: int) -> bytes:
    """Damage a stream: bytes changed, lost and inserted, about one in fifty."""
    rng = random.Random(seed)
    out = bytearray()
    for byte in data:
        luck = rng.random()
        if luck < 0.007:
            out.append(rng.randrange(256))
        elif luck < 0.014:
            out += bytes([byte, rng.randrange(256)])
        elif luck > 0.007 * 3:
            out.append(byte)
    return bytes(out)
