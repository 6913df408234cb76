"""Read what people type: a number with its unit and, if they know it, its ± ("17.4 ± 0.3 kg", "38 lb").

± means two standard uncertainties here, as everywhere a ± is shown. The unit is never guessed.
"""

from __future__ import annotations

import re
from typing import Literal

from logger.quantity import Quantity
from logger.units import G_N, KG_PER, LB_KG, LBF_FT_PER_DEG, M_PER

Kind = Literal["mass", "length", "share", "volume", "density", "slope", "stiffness", "rate"]

DEGREE = 0.017453292519943295
GALLON_L = 3.785411784
"""US liquid gallon, exact (NIST SP 811)."""
UNITS: dict[Kind, tuple[str, dict[str, float]]] = {
    "mass": ("kg", KG_PER | {"lbs": LB_KG, "kgs": 1.0, "pounds": LB_KG}),
    "length": ("m", M_PER | {'"': M_PER["in"], "inch": M_PER["in"], "inches": M_PER["in"]}),
    "share": ("1", {"%": 0.01}),
    "volume": ("L", {"L": 1.0, "l": 1.0, "gal": GALLON_L, "qt": GALLON_L / 4}),
    "density": ("kg/L", {"kg/L": 1.0, "kg/l": 1.0, "lb/gal": LB_KG / GALLON_L}),
    "slope": ("rad", {"mm/m": 1e-3, "%": 1e-2, "mrad": 1e-3, "°": DEGREE, "deg": DEGREE}),
    "stiffness": (
        "N·m/rad",
        {"N·m/rad": 1.0, "Nm/rad": 1.0, "Nm/deg": 1 / DEGREE, "N·m/°": 1 / DEGREE}
        | {"lbf·ft/deg": LBF_FT_PER_DEG, "lbf·ft/°": LBF_FT_PER_DEG},
    ),
    "rate": ("N/m", {"N/mm": 1e3, "N/m": 1.0, "lbf/in": LB_KG * G_N / M_PER["in"]}),
}
"""For each kind the unit inside and what one of each written unit is in it."""
EXAMPLE: dict[Kind, str] = {
    "mass": "17.4 ± 0.3 kg",
    "length": "0.42 ± 0.05 m",
    "share": "56 ± 0.3 %",
    "volume": "22 L",
    "density": "0.75 kg/L",
    "slope": "8 ± 0.5 mm/m",
    "stiffness": "18600 ± 3000 N·m/rad",
    "rate": "24 N/mm",
}
_NUMBER = r"[+−-]?\d*\.?\d+(?:[eE][+-]?\d+)?"
_SHAPE = re.compile(rf"\s*({_NUMBER})\s*([^\d\s±+]*)\s*(?:(?:±|\+/-|\+-)\s*({_NUMBER})\s*(\S*))?\s*$")


def read_quantity(text: str, kind: Kind) -> Quantity:
    """Read a quantity of this kind into SI; its u is half of the ± written, None where none is.

    One unit may stand behind the value, behind the ±, or one at each. ValueError says what would be right.
    """
    found = _SHAPE.match(text.replace("−", "-"))
    if found is None:
        raise ValueError(f"{text!r} is not a number with a unit, such as {EXAMPLE[kind]!r}")
    value, unit, spread, spread_unit = found.groups()
    unit, spread_unit = unit or spread_unit or "", spread_unit or unit
    inside, table = UNITS[kind]
    factors = [_factor(u, kind, table, text) for u in (unit, spread_unit)]
    if spread is not None and float(spread) < 0:
        raise ValueError(f"{text!r}: a ± is not negative")
    u = None if spread is None else float(spread) * factors[1] / 2
    return Quantity(float(value) * factors[0], u, inside)


def _factor(unit: str, kind: Kind, table: dict[str, float], text: str) -> float:
    if unit in table:
        return table[unit]
    if not unit:
        raise ValueError(f"{text!r} has no unit; write it, such as {EXAMPLE[kind]!r}")
    raise ValueError(f"{text!r}: unit {unit!r} is none of {', '.join(table)}")
