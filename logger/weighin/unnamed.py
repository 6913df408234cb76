"""A name proposed for what came off and that nobody has named yet. Pure."""

from __future__ import annotations

from logger.mechanics.statics import Geometry
from logger.model import Change
from logger.quantity import Quantity
from logger.weighin.naming import propose_name
from logger.weighin.results import WeighInResult


def naming_text(result: WeighInResult, changes: list[Change], geometry: Geometry) -> str:
    """Propose a name for the last change if nobody has named it; empty when there is none to name."""
    if not changes or changes[-1].name:
        return ""
    wanted = f"change {changes[-1].number}"
    parts = [d.part for d in result.differences if d.name == wanted and not d.person]
    if not parts or parts[0].x is None or parts[0].too_light_to_locate:
        return ""
    went = Quantity(-parts[0].mass.value, parts[0].mass.u, "kg")
    name = propose_name(went, parts[0].x, parts[0].y, geometry)
    return f"Not named yet. By its place: {name}."
