"""The car's plan as lines of text: wheels, centre of mass, parts where their weight sat. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from math import ceil

from logger.drawing.car import GLYPHS
from logger.drawing.view import CarView, WheelLoad, age_words, corner_texts, part_text, total_texts
from logger.model import CORNERS, Condition

WIDTH = 72
TRACK = 14
"""Columns between the wheels; a row is about as high as two columns are wide."""
MOST_ROWS = 24
"""Between the axles."""
OVERHANG_ROWS = 4
"""Parts further ahead of the front axle, or behind the rear one, are drawn at the edge."""


class _Paper:
    """Rows of characters to scale: which cell a place on the car is in."""

    def __init__(self, view: CarView) -> None:
        self.track_m = max(view.track_front_m, view.track_rear_m)
        self.wheelbase_m = view.wheelbase_m
        self.rows = min(max(round(view.wheelbase_m / self.track_m * TRACK / 2), 3), MOST_ROWS)
        along = [part.x_m for part in view.parts if part.x_m is not None]
        ahead = max([*along, view.wheelbase_m]) - view.wheelbase_m
        behind = -min([*along, 0.0])
        self.front = 1 + self._rows(ahead)
        self.rear = self.front + self.rows
        self.cells = [[" "] * WIDTH for _ in range(self.rear + 2 + max(0, self._rows(behind) - 1))]

    def _rows(self, length_m: float) -> int:
        return min(ceil(length_m * self.rows / self.wheelbase_m - 0.5), OVERHANG_ROWS)

    def put(self, row: int, column: int, words: str) -> None:
        start = min(max(column, 0), WIDTH - len(words))
        self.cells[row][start : start + len(words)] = words

    def mark(self, x_m: float, y_m: float, sign: str) -> None:
        """Put a sign at a place, beside what stands there already."""
        row = round(self.front + self.rows * (1 - x_m / self.wheelbase_m))
        row = min(max(row, 1), len(self.cells) - 1)
        column = min(max(round(WIDTH // 2 - y_m / self.track_m * TRACK), 0), WIDTH - len(sign))
        while column + len(sign) < WIDTH and set(self.cells[row][column : column + len(sign)]) - set(" ┊─"):
            column += 1
        self.put(row, column, sign)


def car_text(view: CarView, units: str) -> str:
    """Draw the plan, nose up, as lines of at most WIDTH characters without colour."""
    middle, half = WIDTH // 2, TRACK // 2
    paper = _Paper(view)
    paper.put(0, middle - 2, "nose")
    for row in range(1, paper.rear + 1):
        paper.put(row, middle, "┊")
    texts = corner_texts(view, units)
    for index, wheel in enumerate(view.loads):
        row, left = (paper.front if index < 2 else paper.rear), index % 2 == 0
        axle = ("●" + "─" * (half - 1)) if left else ("─" * (half - 1) + "●")
        paper.put(row, middle - half if left else middle + 1, axle)
        for step, words in enumerate(_wheel_words(wheel, CORNERS[index], texts[index], units)):
            paper.put(row + step, middle - half - 2 - len(words) if left else middle + half + 3, words)
    if view.x_m is not None and view.y_m is not None:
        paper.mark(view.x_m, view.y_m, "+")
    for number, part in enumerate(view.parts, 1):
        if part.x_m is not None and part.y_m is not None:
            paper.mark(part.x_m, part.y_m, str(number))
    return "\n".join(["".join(row).rstrip() for row in paper.cells] + list(_under(view, units)))


def _wheel_words(wheel: WheelLoad, corner: str, text: tuple[str, str], units: str) -> tuple[str, str]:
    """A wheel's load, and its condition where it is another than standing still."""
    value = " ".join(filter(None, (corner, *text, units if wheel.load else "")))
    aged = "" if wheel.age_s is None else f", {age_words(wheel.age_s)}"
    if wheel.condition is Condition.RESTING and not aged:
        return value, ""
    return value, f"{GLYPHS[wheel.condition]} {wheel.condition}{aged}"


def _under(view: CarView, units: str) -> Iterable[str]:
    if view.total is not None:
        value, spread = total_texts(view, units)
        yield " ".join(filter(None, ("total", value, spread, units))).center(WIDTH).rstrip()
    if view.x_m is not None:
        yield "+ centre of mass".center(WIDTH).rstrip()
    for number, part in enumerate(view.parts, 1):
        yield part_text(number, part, units)
    if view.age_s is not None:
        yield f"all of this is {age_words(view.age_s)}"
