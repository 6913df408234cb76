"""What the daemon hands to the page besides the common records: how the car stands, and results."""

from __future__ import annotations

from dataclasses import dataclass

from logger.drawing.view import CarView
from logger.model import Facing


@dataclass(frozen=True, kw_only=True)
class Standing:
    """The car over the pads: `pads` in CORNERS order, so that each pad's load finds its corner.

    Put again whenever it changes (facing told, pad exchanged, another car). `to_scale` is False where
    wheelbase and tracks are stand-ins because nobody measured them.
    """

    car: str
    wheelbase_m: float
    track_front_m: float
    track_rear_m: float
    pads: tuple[str, str, str, str]
    facing: Facing
    to_scale: bool = True
    invented: bool = False
    """True in the demo: the page then says that name and figures are invented."""


@dataclass(frozen=True, kw_only=True)
class Results:
    """What a weigh-in has come to: figures as (label, text with unit and ±), the plan with parts, doubts."""

    title: str
    figures: tuple[tuple[str, str], ...]
    plan: CarView | None = None
    notes: tuple[str, ...] = ()
    """Sentences that belong to the figures, such as what averaging two facings does not remove."""
    cautions: tuple[int, ...] = ()
    """Numbers of `logger.cautions.CAUTIONS`."""
