"""The guide beside a running bay: one advice for page, bus and loudspeaker, and what people tell it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from logger.car_file import Car
from logger.guide.steps import (
    Guide,
    advice,
    from_captures,
    read_heights,
    skipping,
    start,
    with_aim,
    with_heights,
)
from logger.mechanics.solve import Solution
from logger.model import Advice, Capture, Command
from logger.weighin.placements import SPOTS
from logger.weighin.standing import FLAT, Spots


class LiveGuide:
    """Advises a bay; `car` is the car with the heights measured here, `aim` the figure to sharpen."""

    def __init__(self, car: Car, spots: Spots, unit: str) -> None:
        self._guide: Guide = start(car, [spots.pads[s] for s in SPOTS], unit=unit)
        self._advice: Advice | None = None

    @property
    def car(self) -> Car:
        return self._guide.car

    @property
    def aim(self) -> str:
        return self._guide.aim

    def told(self, command: Command) -> str | None:
        """Take a command that is the guide's own (aim, skip, heights) and say what was noted; else None.

        ValueError in words when it cannot be understood.
        """
        match command.verb:
            case "aim":
                self._guide = with_aim(self._guide, command.argument)
                return f"Noted. The aim is {command.argument}."
            case "skip":
                gone = advice(self._guide)
                if gone.wants == "nothing" or not gone.steps:
                    return "There is nothing to skip."
                self._guide = skipping(self._guide)
                return f"Skipped: {gone.action}"
            case "heights":
                self._guide, said = with_heights(self._guide, read_heights(command.argument))
                return " ".join((f"Noted. The pad tops' heights, S1 to S4: {command.argument}.", *said))
        return None

    def stand_as_advised(self) -> str:
        """What `stand` would say for the placement advised last; ValueError when none is."""
        told = self._advice
        if told is None or not told.stand:
            raise ValueError("no other placement is advised; say how pads stand, such as S1=P2 S2=P1")
        pads = [f"{at.spot}={at.pad}" for at in told.stand]
        shims = [f"{at.spot}+{1e3 * at.shim_m:g}mm" for at in told.stand if at.shim_m]
        return " ".join([*pads, FLAT, *shims])

    def advise(
        self, captures: Sequence[Capture], solution: Solution | None, spots: Spots, t_mono_ns: int
    ) -> Advice:
        """The advice after these captures and their solution; before the first: how to begin."""
        guide = replace(self._guide, pads=dict(spots.pads))
        self._guide = from_captures(guide, captures if solution else (), solution)
        self._advice = advice(self._guide, t_mono_ns)
        return self._advice
