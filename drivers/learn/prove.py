"""Proving a layout with the driver it makes: on seconds that were held back, and on altered messages."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from random import Random
from statistics import median

from drivers.api import Frame
from drivers.layout import Layout, load_layout
from drivers.learn.answer import risen
from drivers.learn.recording import Known, Recording
from drivers.learn.solve import Solution
from drivers.schema import LayoutError

ACCEPTED = 0.97
"""Share of messages of the kind learnt that must become frames."""
UNLEARNT, LEAPS = 0.01, 0.2
"""Share of frames that may come of messages left out as damaged, and how far one leaps, of the load."""
AGREE = 0.02
"""How far frames may be from what was learnt at a known load, of the load."""
ALTERED = 60
"""Messages altered in every covered byte, to see that the check refuses them."""


@dataclass(frozen=True, kw_only=True)
class Proof:
    """Frames made of `expected` messages; known loads met; altered messages refused."""

    frames: int
    expected: int
    fault: str
    altered: int = 0
    altered_refused: int = 0

    @property
    def good(self) -> bool:
        """True when the layout holds."""
        lacking = self.expected - self.frames
        enough = lacking <= max(1, (1 - ACCEPTED) * self.expected) and self.expected > 0
        return not self.fault and enough and self.altered == self.altered_refused

    def told(self) -> str:
        """Say it in words."""
        text = f"{self.frames:,} of {self.expected:,} messages become frames"
        if self.altered:
            text += f", {self.altered_refused:,} of {self.altered:,} altered ones are refused"
        return f"{text}; {self.fault}" if self.fault else text


def prove(
    text: str, recording: Recording, knowns: Sequence[Known], held: frozenset[int], solution: Solution
) -> Proof:
    """Run the layout's driver over the recording; count what came in the held seconds (all when none).

    `solution` was found in the whole recording: its rows are the messages expected to become frames.
    """
    try:
        layout = load_layout(text, "learnt")
    except LayoutError as fault:
        return Proof(frames=0, expected=0, fault=f"no layout can say it: {fault}")
    frames = [item for item in _frames(layout, recording) if not held or int(item[0]) in held]
    expected = sum(not held or int(row.t_s) in held for row in solution.shape.rows)
    altered, refused = (0, 0) if held else alter(layout, [row.message for row in solution.shape.rows])
    made = sum(bool(frame.raw) for _, frame in frames)
    return Proof(
        frames=made,
        expected=expected,
        fault=_unlearnt(frames, made, expected, solution) or _fault(frames, knowns, solution),
        altered=altered,
        altered_refused=refused,
    )


def _frames(layout: Layout, recording: Recording) -> list[tuple[float, Frame]]:
    driver = layout.driver()
    return [
        (t_s, item)
        for t_s, data in recording.chunks()
        for item in driver.feed(data, int(t_s * 1e9))
        if isinstance(item, Frame)
    ]


def _unlearnt(frames: list[tuple[float, Frame]], made: int, expected: int, solution: Solution) -> str:
    """Say when messages of one size that were left out of learning as damaged become frames that leap."""
    more = made - expected
    if solution.shape.kind != "positions" or more <= max(2, UNLEARNT * expected):
        return ""
    far = LEAPS * solution.value.answer.reach * solution.value.per_read_kg()
    pads: dict[str | None, list[float]] = {}
    for _, frame in frames:
        if frame.mass_kg is not None:
            pads.setdefault(frame.address, []).append(frame.mass_kg)
    leaps = sum(
        not min(a, c) - far <= b <= max(a, c) + far
        for masses in pads.values()
        for a, b, c in zip(masses, masses[1:], masses[2:], strict=False)
    )
    return f"{leaps} frames leap, of messages whose numbers were not looked at" if leaps > more / 4 else ""


def _fault(frames: list[tuple[float, Frame]], knowns: Sequence[Known], solution: Solution) -> str:
    """Say where frames do not show the known loads."""
    names = list(dict.fromkeys(frame.address for _, frame in frames))
    low = min(knowns, key=lambda k: k.mass_kg)
    span = max(k.mass_kg for k in knowns) - low.mass_kg
    if solution.value.verdict.unit == "counts":
        return ""
    base = _levels(frames, names, low)
    for known in knowns:
        loaded = _levels(frames, names, known)
        if base is None or loaded is None:
            continue
        more = risen([b - a for a, b in zip(base, loaded, strict=True)], _step_kg(solution))
        expected = (known.mass_kg - low.mass_kg) * (1 + solution.value.verdict.off)
        if abs(more - expected) > AGREE * span + 3 * _step_kg(solution):
            return f"frames show {more:.6g} kg more where {known.text} stood"
    return ""


def _step_kg(solution: Solution) -> float:
    value = solution.value
    return value.answer.step / value.answer.slope


def _levels(frames: list[tuple[float, Frame]], names: list[str | None], known: Known) -> list[float] | None:
    levels = []
    for name in names:
        trim = 0.08 * (known.to_s - known.from_s)
        masses = [
            frame.mass_kg
            for t_s, frame in frames
            if frame.address == name
            and frame.mass_kg is not None
            and known.from_s + trim <= t_s <= known.to_s - trim
        ]
        if len(masses) < 3:
            return None
        levels.append(median(masses))
    return levels


def alter(layout: Layout, messages: Sequence[bytes]) -> tuple[int, int]:
    """Alter one bit of each covered byte of some messages; count them and those the check refuses."""
    check = layout.check
    if check is None:
        return 0, 0
    random = Random(5)
    passes = check.passes
    total = refused = 0
    for message in messages[:: max(len(messages) // ALTERED, 1)]:
        for at in range(*slice(check.first, check.stop or None).indices(len(message))):
            altered = bytearray(message)
            altered[at] ^= 1 << random.randrange(7 if check.mask == 0x7F else 8)
            total += 1
            refused += not passes(bytes(altered))
    return total, refused
